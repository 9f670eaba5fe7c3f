// How old is what is shown? Pure functions; the page's clock may be wrong, so only its differences are used.
(function (root) {
  "use strict";

  const SILENT_AFTER_S = 4; // no answer from the server for this long is "no connection"
  const LINE_OLD_AFTER_S = 5; // no stream of a line for this long is "no data"
  const HISTORY_S = 20; // answers that a line's progress is judged by
  const MOVING_WITHIN_S = 10; // a past that has not moved on for this long does not come in any more

  function span(seconds) {
    const s = Math.max(0, Math.floor(seconds));
    if (s < 90) return s + " s";
    const minutes = Math.floor(s / 60);
    if (minutes < 90) return minutes + " min";
    return Math.floor(minutes / 60) + " h " + String(minutes % 60).padStart(2, "0") + " min";
  }

  // Answers of the last HISTORY_S, oldest first: the server's time and a line's newest stamp in each, both in ms.
  function remember(history, server_ms, newest_ms) {
    if (newest_ms === null || newest_ms === undefined) return [];
    return history.filter((one) => one.server_ms > server_ms - HISTORY_S * 1000 && one.server_ms < server_ms)
      .concat({ server_ms, newest_ms });
  }

  // Whether the past of a line is coming in: its stamps are old, yet they move on. behind_s: how far the newest is
  // behind; left_s: until it is not, at the speed of these answers (null: it does not come nearer).
  function catchingUp(history) {
    let moved = history.length - 1;
    while (moved > 0 && history[moved].newest_ms <= history[moved - 1].newest_ms) moved -= 1;
    if (moved < 1) return null;
    const first = history[0], last = history[moved], now_ms = history[history.length - 1].server_ms;
    if (last.server_ms - last.newest_ms < LINE_OLD_AFTER_S * 1000) return null; // it was up to date at the last reply
    if (now_ms - last.server_ms > MOVING_WITHIN_S * 1000) return null;
    const rate = (last.newest_ms - first.newest_ms) / (last.server_ms - first.server_ms);
    const behind_s = (now_ms - last.newest_ms) / 1000;
    return { behind_s, left_s: rate > 1.05 ? behind_s / (rate - 1) : null };
  }

  function behind(coming) {
    const left = coming.left_s === null ? "not catching up" : "about " + span(coming.left_s) + " left";
    return span(coming.behind_s) + " behind, " + left;
  }

  // sinceAnswer_s: since the last good answer (null: none yet); server_ms: the server's time in it;
  // newest_ms: newest sample (null: none yet); coming: of `catchingUp`, where it is known.
  // Returns the text and whether the value is alive.
  function freshness(sinceAnswer_s, server_ms, newest_ms, oldAfter_s, coming) {
    if (sinceAnswer_s === null) return { kind: "waiting", alive: false, age_s: null, text: "connecting…" };
    const age = newest_ms === null || newest_ms === undefined
      ? null
      : Math.max(0, (server_ms - newest_ms) / 1000) + sinceAnswer_s;
    if (sinceAnswer_s >= SILENT_AFTER_S) {
      return { kind: "no connection", alive: false, age_s: age, text: "no connection for " + span(sinceAnswer_s) };
    }
    if (age === null) return { kind: "no data yet", alive: false, age_s: null, text: "no data received yet" };
    if (age >= (oldAfter_s || LINE_OLD_AFTER_S)) {
      if (coming) return { kind: "catching up", alive: true, age_s: age, text: "catching up: " + behind(coming) };
      return { kind: "no data", alive: false, age_s: age, text: "no data for " + span(age) };
    }
    return { kind: "live", alive: true, age_s: age, text: "" };
  }

  // The server's time now, from its last answer and how long ago that was.
  function serverNow(server_ms, sinceAnswer_s) {
    return server_ms + sinceAnswer_s * 1000;
  }

  const api = { span, remember, catchingUp, behind, freshness, serverNow, SILENT_AFTER_S, LINE_OLD_AFTER_S };
  if (typeof module !== "undefined" && module.exports) module.exports = api;
  else root.everymetreAge = api;
})(typeof window === "undefined" ? globalThis : window);
