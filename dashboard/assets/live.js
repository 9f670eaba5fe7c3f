// Once a second: one fetch, then the page is brought up to date. Survives restarts of server and monitor.
(function () {
  "use strict";

  const Age = window.everymetreAge;
  const Ribbon = window.everymetreRibbon;
  const Alarms = window.everymetreAlarms;
  const { el, setText, tally } = window.everymetreElements;
  const AGAIN_M = 400; // ribbon metres evaluated again with each fetch
  const AGAIN_MS = 5000; // samples asked for again: streams do not arrive in step
  const WHOLE_EVERY = 30; // fetches between two of everything: late data finds its place then
  const DASH = "\u2013";
  const memory = { reply: null, answered: null, busy: false, ribbons: {}, histories: {}, coming: {}, count: 0, since: null, page: null, key: null, follow: true, arrived: window.location.pathname };

  // ---- small things -----------------------------------------------------------------------------------

  function show(value, decimals) {
    if (value === null || value === undefined) return DASH;
    let fixed = Math.abs(value).toFixed(decimals);
    for (let more = decimals; Math.abs(value) >= 1e-9 && Number(fixed) === 0; ) fixed = Math.abs(value).toFixed(++more);
    const [whole, part] = fixed.split(".");
    const grouped = whole.replace(/\B(?=(\d{3})+(?!\d))/g, "\u202f");
    return (value < 0 && Number(fixed) !== 0 ? "\u2212" : "") + grouped + (part ? "." + part : "");
  }

  function sinceAnswer() {
    return memory.answered === null ? null : (performance.now() - memory.answered) / 1000;
  }

  function page() {
    return document.querySelector("[data-page]");
  }

  // ---- the one fetch ------------------------------------------------------------------------------------

  function address(here) {
    const asked = new URLSearchParams();
    const onLine = here && here.dataset.page === "line";
    memory.whole = (onLine && memory.since === null) || memory.count % WHOLE_EVERY === 0;
    if (onLine) {
      asked.set("line", here.dataset.line);
      if (!memory.whole) asked.set("since", String(memory.since - AGAIN_MS));
    }
    if (!memory.whole) {
      const had = Object.entries(memory.ribbons).map(([line, r]) => line + ":" + Math.max(0, r.upto - AGAIN_M).toFixed(1));
      if (had.length) asked.set("metres", had.join(","));
    }
    return "/api/v1/live?" + asked;
  }

  async function fetchNow() {
    const here = page();
    if (here !== memory.page) {
      memory.page = here;
      memory.since = null;
      memory.follow = true;
    }
    if (memory.busy) return;
    memory.busy = true;
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), 5000);
    try {
      const answer = await fetch(address(here), { signal: stop.signal, cache: "no-cache" });
      memory.unread = answer.status >= 500;
      if (answer.ok) take(await answer.json(), here);
      else if (memory.unread) memory.lost = true;
      else if (answer.status === 400) memory.ribbons = {}; // another works or line behind the same address
    } catch (error) {
      memory.lost = true; // the page shows its age; nothing else to do until it is back
      memory.unread = false;
    } finally {
      clearTimeout(timer);
      memory.busy = false;
    }
  }

  function take(reply, here) {
    const back = memory.lost;
    memory.lost = false;
    memory.reply = reply;
    memory.answered = performance.now();
    memory.count += 1;
    for (const line of reply.lines) {
      keepRibbon(line);
      memory.histories[line.line] = Age.remember(memory.histories[line.line] || [], reply.t, line.newest);
      memory.coming[line.line] = Age.catchingUp(memory.histories[line.line]);
    }
    if (reply.shown && here && page() === here) carryOn(reply.shown, here, reply.t);
    const key = reply.alarms_key + (back ? "#" + memory.count : "");
    if (here && here.dataset.page === "alarms" && key !== memory.key) {
      memory.key = key;
      Alarms.turn().then((done) => { if (!done) memory.key = null; });
    }
    turnPageIfRecipeChanged(reply, here);
    paint();
  }

  function keepRibbon(line) {
    if (line.drum === null) delete memory.ribbons[line.line];
    if (!line.ribbon) return;
    const before = memory.ribbons[line.line];
    const same = before && before.filling === line.filling;
    const runs = Ribbon.merge(same ? before.runs : [], same ? line.ribbon.since : 0, line.ribbon.runs);
    if (!same && line.ribbon.since > 0) memory.count = 0; // a new drum: ask for all of it next time
    memory.ribbons[line.line] = { filling: line.filling, runs, upto: runs.length ? runs[runs.length - 1][1] : 0 };
  }

  function turnPageIfRecipeChanged(reply, here) {
    if (!here || here.dataset.page !== "line") return;
    const line = reply.lines.find((one) => one.line === here.dataset.line);
    if (line && line.recipe && line.recipe !== here.dataset.recipe) {
      window.dash_clientside.set_props("page-turn", { data: line.recipe });
    }
  }

  // ---- painting -------------------------------------------------------------------------------------------

  function paint() {
    paintHeader();
    const here = page();
    if (here) {
      const lines = document.getElementById("lines");
      if (lines && memory.reply) paintLines(lines, here.dataset.page === "line" ? here.dataset.line : null);
      if (here.dataset.page === "line" && memory.reply) paintPath(here);
    }
    paintAges();
  }

  function lineFreshness(line) {
    return Age.freshness(sinceAnswer(), memory.reply.t, line.newest, 0, memory.coming[line.line]);
  }

  // The line that is farthest behind of those whose past is coming in, or nothing.
  function farthestBehind() {
    const coming = Object.values(memory.coming).filter((one) => one !== null);
    return coming.sort((a, b) => b.behind_s - a.behind_s)[0];
  }

  function paintHeader() {
    const since = sinceAnswer();
    const connection = document.getElementById("connection");
    if (!connection) return;
    const lost = since !== null && since >= Age.SILENT_AFTER_S;
    const coming = lost ? undefined : farthestBehind();
    connection.classList.toggle("lost", lost);
    connection.classList.toggle("behind", coming !== undefined);
    setText(connection, since === null ? "connecting" : lost ? (memory.unread ? "database not readable for " : "no connection for ") + Age.span(since) : coming ? "catching up: " + Age.behind(coming) : "");
    document.body.classList.toggle("lost", lost);
    if (memory.reply) {
      const time = document.getElementById("works-time");
      setText(time, memory.zone ? memory.zone(Age.serverNow(memory.reply.t, since)) : "");
    }
  }

  function paintLines(room, only) {
    const lines = memory.reply.lines.filter((one) => only === null || one.line === only);
    const names = lines.map((one) => one.line).join();
    if (room.dataset.names !== names) {
      const had = new Map(Array.from(room.children, (one) => [one.dataset.line, one]));
      const focused = document.activeElement;
      room.replaceChildren(...lines.map((one) => had.get(one.line) || row(one, only !== null)));
      if (room.contains(focused)) focused.focus({ preventScroll: true }); // moving an element takes it
      room.dataset.names = names;
    }
    lines.forEach((line, i) => paintRow(room.children[i], line));
    if (only === null) paintNeed(lines);
  }

  function row(line, alone) {
    const made = el("section", "line-row");
    made.dataset.line = line.line;
    made.setAttribute("aria-label", line.title);
    const head = el("div", "line-head");
    if (!alone) {
      const title = el("a", "line-title", line.title);
      title.href = "/line/" + encodeURIComponent(line.line);
      head.append(title);
    }
    head.append(el("span", "state"), el("span", "speed"), el("span", "drum"), el("span", "drum-change"), el("span", "asks"), el("span", "cure"), el("small", "metres"), el("small", "behind"));
    const ribbon = el("a", "ribbon");
    ribbon.append(el("span", "wound"));
    const marks = el("div", "marks");
    made.append(head, ribbon, marks);
    return made;
  }

  function paintRow(room, line) {
    const fresh = lineFreshness(line);
    const unacknowledged = line.asks.text !== "";
    const reason = line.suspended || line.unmonitored || ""; // why nothing of it is stored now
    const word = line.suspended ? "suspended" : line.unmonitored ? "not monitored" : "";
    room.classList.toggle("old", !fresh.alive || word !== "");
    room.classList.toggle("unacknowledged", unacknowledged);
    const part = (name) => room.querySelector("." + name);
    const state = part("state");
    setText(state, word || (fresh.alive ? line.state || DASH : fresh.text));
    setText(part("behind"), reason || (fresh.kind === "catching up" ? fresh.text : ""));
    state.dataset.state = word || (fresh.alive ? line.state || "" : fresh.kind);
    paintSpeed(part("speed"), line);
    paintDrum(part("drum"), line);
    setText(part("drum-change"), drumChange(line));
    paintCure(part("cure"), line);
    paintAsks(part("asks"), line, fresh);
    paintRibbon(room, line);
  }

  function paintSpeed(room, line) {
    if (line.speed === undefined) return setText(room, "");
    filled(room, "b", "i", "small");
    room.classList.toggle("outside", line.outside);
    const window = line.window;
    setText(room.children[0], show(line.speed, 0));
    setText(room.children[1], " m/min ");
    setText(room.children[2], window ? (line.outside ? "outside " : "limits ") + bounds(...window) : "no limits");
  }

  function bounds(low, high) {
    if (low === null) return "up to " + show(high, 0);
    return high === null ? "from " + show(low, 0) : show(low, 0) + DASH + show(high, 0);
  }

  // The parts that a room needs, in place of words that may be there.
  function filled(room, ...parts) {
    if (!room.firstElementChild) room.replaceChildren(...parts.map((part) => el(part)));
  }

  function paintDrum(room, line) {
    if (!line.drum) return setText(room, line.speed === undefined ? "" : "no drum on the take-up");
    filled(room, "a", "b", "small");
    setText(room.children[0], "drum " + line.drum);
    room.children[0].href = line.drum_page;
    setText(room.children[1], show(line.drum_metre, 0) + " m");
    setText(room.children[2], line.planned_m ? "of " + show(line.planned_m, 0) + " m" : "wound");
  }

  function paintCure(room, line) {
    const advice = line.cure ? line.cure.advice : "";
    setText(room, line.cure ? advice || line.cure.room : "");
    room.classList.toggle("act", advice !== "");
  }

  function drumChange(line) {
    if (line.drum_change_s === null || line.drum_change_s === undefined) return line.drum ? "drum change: no estimate" : "";
    return line.drum_change_s < 1 ? "drum change due" : "drum change in " + Age.span(line.drum_change_s);
  }

  function paintAsks(room, line, fresh) {
    const asks = line.asks;
    const shown = JSON.stringify([asks, fresh.kind]);
    const age = asks.since === null ? null : (Age.serverNow(memory.reply.t, sinceAnswer()) - asks.since) / 1000;
    if (room.dataset.shown !== shown) {
      room.dataset.shown = shown;
      room.replaceChildren();
      for (const priority of ["high", "medium", "low"]) if (asks[priority]) room.append(tally(priority, asks[priority] + " " + priority));
      if (asks.ended) room.append(el("small", "", asks.ended + " ended, unacknowledged"));
      if (asks.text) {
        const link = el("a", "ask-text", asks.text);
        link.href = "/alarms";
        room.append(link, el("small", "ask-age"));
      } else {
        room.append(el("small", "calm", asks.standing ? asks.standing + " acknowledged, still active" : "no unacknowledged alarms"));
      }
    }
    if (age !== null) setText(room.querySelector(".ask-age"), Age.span(age) + " ago");
  }

  function paintRibbon(room, line) {
    const strip = room.querySelector(".ribbon");
    const kept = memory.ribbons[line.line];
    if (line.drum === null) return emptied(room, strip);
    if (!kept || line.drum_metre === null || line.drum_metre === undefined) return;
    const full = Ribbon.scale(line.drum_metre, line.planned_m);
    strip.href = line.drum_page;
    strip.firstChild.style.width = Ribbon.place(0, line.drum_metre, full)[1] + "%";
    while (strip.children.length > kept.runs.length + 1) strip.lastChild.remove();
    kept.runs.forEach(([start, end, verdict], i) => {
      const span = strip.children[i + 1] || strip.appendChild(el("span"));
      const [left, width] = Ribbon.place(start, end, full);
      span.className = "run " + Ribbon.WORDS[verdict];
      span.style.left = left + "%";
      span.style.width = width + "%";
    });
    const total = Ribbon.lengths(kept.runs);
    const words = [3, 1, 2].filter((v) => total[v] > 0).map((v) => show(total[v], 0) + " m " + Ribbon.WORDS[v]);
    strip.setAttribute("aria-label", "Drum " + line.drum + ": " + show(line.drum_metre, 0) + " m wound; " + (words.join(", ") || "no faults recorded"));
    setText(room.querySelector(".metres"), [line.recipe].concat(words).join(", "));
    paintMarks(room.querySelector(".marks"), full);
  }

  // Nothing is wound: the last drum's ribbon is not shown for it.
  function emptied(room, strip) {
    strip.removeAttribute("href");
    strip.setAttribute("aria-label", "No drum on the take-up");
    while (strip.children.length > 1) strip.lastChild.remove();
    strip.firstChild.style.width = "0";
    setText(room.querySelector(".metres"), "");
    room.querySelector(".marks").replaceChildren();
    delete room.querySelector(".marks").dataset.key;
  }

  function paintMarks(room, full) {
    const key = full.toFixed(0);
    if (room.dataset.key === key) return;
    room.dataset.key = key;
    const made = Ribbon.marks(full).map((metre) => {
      const mark = el("span", "", show(metre, 0));
      mark.style.left = Ribbon.place(0, metre, full)[1] + "%";
      if (metre > 0.97 * full) mark.className = "end";
      return mark;
    });
    room.replaceChildren(...made);
  }

  function paintNeed(lines) {
    const need = document.getElementById("need");
    const titles = Object.fromEntries(lines.map((line) => [line.line, line.title]));
    const asking = memory.reply.needs.map((one) => ({ line: one.line, title: titles[one.line], why: " (" + one.why + ")" }));
    const silent = lines.filter((line) => !lineFreshness(line).alive);
    const behind = lines.filter((line) => lineFreshness(line).kind === "catching up").length;
    const shown = JSON.stringify([asking.map((one) => one.line + one.why), silent.map((line) => line.line), behind]);
    if (need.dataset.shown !== shown) {
      need.dataset.shown = shown;
      need.classList.toggle("asking", asking.length > 0);
      need.replaceChildren();
      if (!asking.length) need.append("No active or unacknowledged alarms.");
      listLines(need, "", ", then ", asking);
      listLines(need, " No data from: ", ", ", silent);
      if (behind) need.append(el("small", "", " The past is still coming in from " + behind + " of " + lines.length + " lines: shown is how it was then, not now."));
    }
    const rejected = document.getElementById("rejected");
    setText(rejected, memory.reply.rejected ? show(memory.reply.rejected, 0) + " messages rejected: details" : "no message rejected");
  }

  function listLines(room, before, between, lines) {
    lines.forEach((line, i) => {
      const link = el("a", "", line.title);
      link.href = "/line/" + encodeURIComponent(line.line);
      room.append(i ? between : before, link);
      if (line.why) room.append(el("small", "", line.why));
    });
    if (lines.length) room.append(".");
  }

  function paintPath(here) {
    const reply = memory.reply;
    const line = reply.lines.find((one) => one.line === here.dataset.line);
    if (!line || !reply.shown) return;
    const lineFresh = lineFreshness(line);
    const catchesUp = lineFresh.kind === "catching up"; // then a stream is as old as it is behind the line's newest
    for (const pass of here.querySelectorAll("[data-zone]")) {
      const speed = (line.speed || 0) / 60;
      setText(pass, speed > 0.05 ? show(Number(pass.dataset.zone) / speed, 1) + " s" : "stopped");
      pass.classList.toggle("old", !lineFresh.alive);
    }
    memory.last = memory.last || {};
    for (const [path, stream] of Object.entries(reply.shown.streams)) {
      if (stream.last !== null) memory.last[line.line + path] = stream.last;
    }
    for (const heat of here.querySelectorAll("[data-heat]")) {
      const stream = reply.shown.streams[heat.dataset.heat];
      if (!stream) continue;
      const fresh = Age.freshness(catchesUp ? 0 : sinceAnswer(), catchesUp ? line.newest : reply.t, stream.newest, stream.old_after_s);
      const value = memory.last[line.line + heat.dataset.heat];
      setText(heat, show(value, 0) + " \u00b0C" + (fresh.alive ? "" : ", " + fresh.text));
      heat.classList.toggle("old", !fresh.alive);
    }
  }

  function paintAges() {
    if (!memory.reply) return;
    const now = Age.serverNow(memory.reply.t, sinceAnswer());
    for (const one of document.querySelectorAll("[data-ago]")) {
      const age = (now - Number(one.dataset.ago)) / 1000;
      const late = one.className === "sent-age" && age > 15;
      setText(one, Age.span(age) + " ago" + (late ? "; no confirmation from the monitor: check that it is running" : ""));
    }
  }

  // ---- charts -----------------------------------------------------------------------------------------------

  function plot(id) {
    return document.querySelector("#" + id + " .js-plotly-plot");
  }

  // New samples go to the end of each trace; what left the window is dropped; the axis moves on with the time.
  function carryOn(shown, here, now_ms) {
    const graph = plot("live-trends");
    const shift = Number(here.dataset.shift);
    let newest = memory.since;
    for (const stream of Object.values(shown.streams)) {
      const t = stream.t[stream.t.length - 1];
      if (t !== undefined && (newest === null || t > newest)) newest = t;
    }
    if (!graph || !graph.data || !window.Plotly) return;
    const first = memory.whole;
    memory.since = newest;
    const keep_ms = Number(here.dataset.span);
    const oldest = now_ms + shift - keep_ms - 5000;
    const xs = [], ys = [], which = [];
    graph.data.forEach((trace, i) => {
      const stream = shown.streams[trace.meta];
      if (!stream) return;
      const last = first ? -Infinity : lastOf(trace.x);
      const fresh = stream.t.map((t, k) => [t + shift, stream.v[k]]).filter(([t]) => t > last);
      const x = first ? [] : Array.from(trace.x), y = first ? [] : Array.from(trace.y);
      for (const [t, v] of fresh) {
        if (x.length && t - x[x.length - 1] > Math.max(2000, stream.old_after_s * 1000)) {
          x.push(x[x.length - 1] + 1);
          y.push(null);
        }
        x.push(t);
        y.push(v);
      }
      let drop = 0;
      while (drop < x.length && x[drop] < oldest) drop += 1;
      xs.push(x.slice(drop));
      ys.push(y.slice(drop));
      which.push(i);
    });
    const layout = timeAxes(graph);
    if (memory.follow) layout["xaxis.range"] = [now_ms + shift - keep_ms, now_ms + shift];
    memory.ours = true;
    window.Plotly.update(graph, { x: xs, y: ys }, layout, which).finally(() => { memory.ours = false; });
    listenOnce(graph, "plotly_relayout", (change) => {
      if (memory.ours) return;
      if ("xaxis.autorange" in change) memory.follow = true;
      else if (Object.keys(change).some((key) => key.startsWith("xaxis"))) memory.follow = false;
    });
  }

  // New x values make the charting library guess the kind of axis again; so its type is set to time.
  function timeAxes(graph) {
    const layout = {};
    for (const name of Object.keys(graph.layout)) if (/^xaxis\d*$/.test(name)) layout[name + ".type"] = "date";
    return layout;
  }

  function lastOf(list) {
    return list && list.length ? Number(list[list.length - 1]) : -Infinity;
  }

  function listenOnce(graph, event, act) {
    graph.bound = graph.bound || {};
    if (graph.bound[event]) return;
    graph.bound[event] = true;
    graph.on(event, act);
  }

  // Fault map: the upper axis runs against the lower one, and a click anywhere asks for the process history of that metre.
  function wireMap() {
    const graph = plot("fault-map");
    if (!graph || !graph._fullLayout || !graph.on) return;
    const room = page();
    const length = Number(room.dataset.length);
    listenOnce(graph, "plotly_relayout", () => {
      const [a, b] = graph.layout.xaxis.range;
      const [c, d] = graph.layout.xaxis2.range;
      if (Math.abs(c - (length - a)) > 0.01 || Math.abs(d - (length - b)) > 0.01) {
        window.Plotly.relayout(graph, { "xaxis2.range": [length - a, length - b] });
      }
    });
    if (graph.clicked) return;
    graph.clicked = true;
    // The charting library lays a cover over the whole window while a button is down, so its release is received there.
    graph.addEventListener("pointerdown", (down) => {
      window.addEventListener("pointerup", (up) => choose(up, down.clientX), { once: true, capture: true });
    }, true);
    const choose = (event, from) => {
      if (Math.abs(event.clientX - from) > 4) return;
      const size = graph._fullLayout._size;
      const x = event.clientX - graph.getBoundingClientRect().left - size.l;
      if (x < 0 || x > size.w) return;
      const metre = graph._fullLayout.xaxis.p2d(x);
      if (metre >= 0 && metre < length) window.dash_clientside.set_props("history-metre", { value: Math.floor(metre) });
    };
  }

  // Long trends: a piece that was dragged is fetched again, with as many points as the whole had.
  function wireTrend() {
    const graph = plot("long-trends");
    if (!graph || !graph.on || !graph.data) return;
    const room = graph.closest("[data-page]");
    let timer = null;
    listenOnce(graph, "plotly_relayout", (change) => {
      if (!Object.keys(change).some((key) => key.startsWith("xaxis"))) return;
      clearTimeout(timer);
      timer = setTimeout(() => refine(graph, room, change), 150);
    });
  }

  async function refine(graph, room, change) {
    const shift = Number(room.dataset.shift);
    let start = Number(room.dataset.start), end = Number(room.dataset.end);
    if (!("xaxis.autorange" in change)) {
      const range = graph._fullLayout.xaxis.range.map((x) => graph._fullLayout.xaxis.r2c(x));
      start = Math.max(start, Math.floor(range[0] - shift));
      end = Math.min(end, Math.ceil(range[1] - shift));
    }
    if (!(end > start)) return;
    const asked = graph.data.map((trace) => {
      const query = new URLSearchParams({ stream: room.dataset.line + "/" + trace.meta, start, end, points: 2000 });
      return fetch("/api/v1/trend?" + query).then((answer) => (answer.ok ? answer.json() : null));
    });
    const got = await Promise.all(asked).catch(() => []);
    const which = got.map((_, i) => i).filter((i) => got[i]);
    if (!which.length) return;
    const x = which.map((i) => got[i].t.map((t) => t + shift));
    const y = which.map((i) => got[i].v);
    const layout = timeAxes(graph);
    if ("xaxis.autorange" in change) layout["xaxis.range"] = [start + shift, end + shift];
    window.Plotly.update(graph, { x, y }, layout, which);
  }

  // ---- what Dash calls -----------------------------------------------------------------------------------------

  // Links drawn here turn the page as Dash's own do, without loading everything again.
  document.addEventListener("click", (event) => {
    const link = event.target.closest("#lines a[href], #need a[href], #alarms-now a[href]");
    if (!link || event.defaultPrevented || event.button || event.metaKey || event.ctrlKey || event.shiftKey) return;
    event.preventDefault();
    window.dash_clientside.set_props("location", { pathname: link.getAttribute("href") });
  });

  function setZone() {
    const zone = document.getElementById("works-time").dataset.timeZone;
    const form = { hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23", timeZoneName: "short" };
    const spell = new Intl.DateTimeFormat("en-GB", zone ? { ...form, timeZone: zone } : form);
    memory.zone = (ms) => spell.format(new Date(ms));
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    everymetre: {
      second: function (_turn, _content, sent) {
        if (!memory.zone) setZone();
        Alarms.sent(sent);
        fetchNow();
        paint();
        wireMap();
        wireTrend();
        return window.dash_clientside.no_update;
      },
      theme: function (clicks, kept) {
        const root = document.documentElement;
        const dark = window.matchMedia("(prefers-color-scheme: dark)").matches;
        let scheme = kept === "dark" || kept === "light" ? kept : dark ? "dark" : "light";
        if (clicks) scheme = root.getAttribute("data-mantine-color-scheme") === "dark" ? "light" : "dark";
        root.setAttribute("data-mantine-color-scheme", scheme);
        return [clicks ? scheme : window.dash_clientside.no_update, scheme, scheme === "dark" ? "Light" : "Dark"];
      },
      // What is chosen on Trends is in the address, so that a reload and a link show the same.
      trendAddress: function (line, span, streams, since, until) {
        if (window.location.pathname === "/trend" && streams && streams.length) {
          const asked = new URLSearchParams({ line, span, streams: streams.join(",") });
          if (span === "custom" && since && until) { asked.set("from", since); asked.set("until", until); }
          history.replaceState(history.state, "", "?" + asked);
        }
        return window.dash_clientside.no_update;
      },
      drumsAddress: function (asked) {
        if (window.location.pathname === "/drums" && asked) {
          const kept = Object.entries({ ...asked, undecided: asked.undecided ? "yes" : "", page: asked.page ? asked.page + 1 : "" });
          const search = new URLSearchParams(kept.filter(([, value]) => value)).toString();
          history.replaceState(history.state, "", search ? "?" + search : window.location.pathname);
        }
        return window.dash_clientside.no_update;
      },
      recurringAddress: function (line, what, drums) {
        if (window.location.pathname === "/recurring" && line && what && drums) {
          history.replaceState(history.state, "", "?" + new URLSearchParams({ line, what, drums }));
        }
        return window.dash_clientside.no_update;
      },
      arrive: function (title, pathname) {
        document.title = title ? title + ", everymetre" : "everymetre";
        for (const link of document.querySelectorAll("#navigation a")) {
          const here = link.getAttribute("href") === pathname;
          if (here) link.setAttribute("aria-current", "page");
          else link.removeAttribute("aria-current");
        }
        if (memory.arrived !== pathname) document.getElementById("content").focus();
        memory.arrived = pathname;
        memory.key = null;
        Alarms.arrived();
        return "";
      },
    },
  });
})();
