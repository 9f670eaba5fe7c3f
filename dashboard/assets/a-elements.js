// Elements that scripts draw themselves: React would take a millisecond for each, and the lists have thousands.
(function (root) {
  "use strict";

  function el(tag, className, text) {
    const made = document.createElement(tag);
    if (className) made.className = className;
    if (text !== undefined) made.textContent = text;
    return made;
  }

  function setText(element, text) {
    if (element && element.textContent !== text) element.textContent = text;
  }

  // Priority as strokes in our own drawing, with its word (or another text) beside them.
  function tally(priority, text) {
    const made = el("span", "tally " + priority);
    const strokes = el("span", "strokes");
    strokes.setAttribute("aria-hidden", "true");
    for (let i = 0; i < ({ low: 1, medium: 2, high: 3 }[priority] || 0); i += 1) strokes.append(el("i"));
    made.append(strokes, el("span", "", text === undefined ? priority : text));
    return made;
  }

  // A table under its caption in a box that scrolls; `numeric` columns are right-aligned.
  function table(caption, heads, numeric, classes) {
    const room = el("div", "table-room");
    room.tabIndex = 0;
    room.setAttribute("role", "region");
    room.setAttribute("aria-label", caption);
    const made = el("table", classes);
    const row = el("tr");
    heads.forEach((head, i) => {
      const cell = el("th", numeric.includes(i) ? "n" : "", head);
      cell.scope = "col";
      row.append(cell);
    });
    const thead = el("thead");
    thead.append(row);
    made.append(el("caption", "", caption), thead);
    room.append(made);
    return room;
  }

  root.everymetreElements = { el, setText, tally, table };
})(typeof window === "undefined" ? globalThis : window);
