// How old is what is shown? Pure functions; the page's clock may be wrong, so only its differences are used.
(function (root) {
  "use strict";

  const SILENT_AFTER_S = 4; // no answer from the server for this long is "no connection"
  const LINE_OLD_AFTER_S = 5; // no stream of a line for this long is "no data"

  function span(seconds) {
    const s = Math.max(0, Math.floor(seconds));
    if (s < 90) return s + " s";
    const minutes = Math.floor(s / 60);
    if (minutes < 90) return minutes + " min";
    return Math.floor(minutes / 60) + " h " + String(minutes % 60).padStart(2, "0") + " min";
  }

  // sinceAnswer_s: since the last good answer (null: none yet); server_ms: the server's time in it;
  // newest_ms: newest sample (null: never heard). Returns what to say and whether the value is alive.
  function freshness(sinceAnswer_s, server_ms, newest_ms, oldAfter_s) {
    if (sinceAnswer_s === null) return { kind: "waiting", alive: false, age_s: null, text: "waiting for the first answer" };
    const age = newest_ms === null || newest_ms === undefined
      ? null
      : Math.max(0, (server_ms - newest_ms) / 1000) + sinceAnswer_s;
    if (sinceAnswer_s >= SILENT_AFTER_S) {
      return { kind: "no connection", alive: false, age_s: age, text: "no connection for " + span(sinceAnswer_s) };
    }
    if (age === null) return { kind: "never heard", alive: false, age_s: null, text: "never heard" };
    if (age >= (oldAfter_s || LINE_OLD_AFTER_S)) {
      return { kind: "no data", alive: false, age_s: age, text: "no data for " + span(age) };
    }
    return { kind: "live", alive: true, age_s: age, text: "" };
  }

  // The server's time now, from its last answer and how long ago that was.
  function serverNow(server_ms, sinceAnswer_s) {
    return server_ms + sinceAnswer_s * 1000;
  }

  const api = { span, freshness, serverNow, SILENT_AFTER_S, LINE_OLD_AFTER_S };
  if (typeof module !== "undefined" && module.exports) module.exports = api;
  else root.everymetreAge = api;
})(typeof window === "undefined" ? globalThis : window);
