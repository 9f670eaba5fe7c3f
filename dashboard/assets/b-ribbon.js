// The ribbon's geometry: the same rules as dashboard/queries/ribbon.py. Runs are [start m, end m, verdict].
(function (root) {
  "use strict";

  const WORDS = ["conforming", "suspect", "unverified", "nonconforming"];

  // Runs up to `since` are kept, later ones replaced: the server evaluates the last metres again each time.
  function merge(kept, since, fresh) {
    const out = [];
    for (const [a, b, v] of kept) {
      if (a < since) out.push([a, Math.min(b, since), v]);
    }
    for (const [a, b, v] of fresh) {
      const last = out[out.length - 1];
      if (last && last[2] === v && Math.abs(last[1] - a) < 0.11) last[1] = b;
      else out.push([a, b, v]);
    }
    return out;
  }

  function scale(wound, planned) {
    return Math.max(wound || 0, planned || 0, 1);
  }

  function place(start, end, full) {
    const clip = (x) => Math.min(Math.max((100 * x) / full, 0), 100);
    return [clip(start), Math.max(clip(end) - clip(start), 0)];
  }

  // Round metre marks so that about eight fit on the strip.
  function marks(full) {
    const raw = full / 8;
    const power = Math.pow(10, Math.floor(Math.log10(raw)));
    const step = [1, 2, 5, 10].map((k) => k * power).find((s) => s >= raw);
    const out = [];
    for (let m = 0; m <= full + 1e-9; m += step) out.push(m);
    return out;
  }

  function lengths(runs) {
    const total = [0, 0, 0, 0];
    for (const [a, b, v] of runs) total[v] += b - a;
    return total;
  }

  const api = { WORDS, merge, scale, place, marks, lengths };
  if (typeof module !== "undefined" && module.exports) module.exports = api;
  else root.everymetreRibbon = api;
})(typeof window === "undefined" ? globalThis : window);
