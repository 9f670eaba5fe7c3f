// What of the page cannot be read by everyone (D8): contrast by WCAG 2.2, heads of tables, names of fields and buttons.
() => {
  const faults = [];
  const name = (one) => one.outerHTML.slice(0, 120);
  const shown = (one) => one.getClientRects().length > 0 && getComputedStyle(one).visibility === "visible";

  // ---- contrast: success criterion 1.4.3, relative luminance ----
  const canvas = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
  function rgba(colour) {
    canvas.clearRect(0, 0, 1, 1);
    canvas.fillStyle = colour;
    canvas.fillRect(0, 0, 1, 1);
    const [r, g, b, a] = canvas.getImageData(0, 0, 1, 1).data;
    return [r, g, b, a / 255];
  }
  const over = (top, share, under) => [0, 1, 2].map((i) => top[i] * share + under[i] * (1 - share));
  function ground(one) {
    if (!one) return [255, 255, 255];
    const [r, g, b, a] = rgba(getComputedStyle(one).backgroundColor);
    return a === 1 ? [r, g, b] : over([r, g, b], a, ground(one.parentElement));
  }
  function opacity(one) {
    return one ? Number(getComputedStyle(one).opacity) * opacity(one.parentElement) : 1;
  }
  function luminance(colour) {
    const linear = colour.map((c) => (c / 255 <= 0.04045 ? c / 255 / 12.92 : ((c / 255 + 0.055) / 1.055) ** 2.4));
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2];
  }
  function contrast(one) {
    const style = getComputedStyle(one), under = ground(one);
    const colour = one.closest("svg") && style.fill !== "none" ? style.fill : style.color;
    const [r, g, b, a] = rgba(colour);
    const [low, high] = [luminance(under), luminance(over([r, g, b], a * opacity(one), under))].sort((x, y) => x - y);
    return (high + 0.05) / (low + 0.05);
  }
  const inactive = "[disabled], [data-disabled], [aria-disabled='true']"; // which the criterion leaves out
  for (const one of document.querySelectorAll("body *")) {
    const text = [...one.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
    if (!text || !shown(one) || one.closest(inactive) || one.closest("style, script, .skip")) continue;
    const style = getComputedStyle(one), size = parseFloat(style.fontSize);
    const least = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700) ? 3 : 4.5;
    const found = contrast(one);
    if (found < least - 0.005) faults.push("contrast " + found.toFixed(2) + ": " + name(one));
  }

  // ---- names ----
  for (const head of document.querySelectorAll("th")) if (!head.textContent.trim()) faults.push("head: " + name(head.closest("table")));
  const named = (one) => one.getAttribute("aria-label") || one.getAttribute("aria-labelledby") || one.title
    || [...(one.labels || [])].some((label) => label.textContent.trim());
  for (const field of document.querySelectorAll("input:not([type=hidden]), select, textarea")) {
    if (shown(field) && !named(field)) faults.push("field: " + name(field));
  }
  for (const button of document.querySelectorAll("button, [role=button], a[href]")) {
    if (shown(button) && !button.closest("[aria-hidden='true']") && !button.textContent.trim() && !named(button)) faults.push("name: " + name(button));
  }
  for (const one of document.querySelectorAll("[aria-label]")) {
    if (!one.getAttribute("role") && ["DIV", "SPAN", "P"].includes(one.tagName)) faults.push("label without role: " + name(one));
  }
  return [...new Set(faults)];
}
