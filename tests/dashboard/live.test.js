// The script of every page, whole, over a small document: what it asks for, and what it shows of each answer.
"use strict";
const test = require("node:test");
const assert = require("node:assert/strict");
const { browser } = require("./browser.js");
const T = 1_764_035_000_000;

const header = (el) => [el("span", { id: "connection" }), el("time", { id: "works-time", "data-time-zone": "Europe/Stockholm" }),
  el("nav", { id: "navigation" }, el("a", { href: "/" }), el("a", { href: "/alarms" }))];
const linesPage = (el) => [...header(el), el("main", { id: "content" }, el("p", { id: "need" }),
  el("div", { id: "lines", "data-page": "lines" }), el("a", { id: "rejected" }))];
const linePage = (el) => [...header(el), el("main", { id: "content" }, el("div", { "data-page": "line", "data-line": "core-1", "data-recipe": "core-2g5", "data-shift": "3600000", "data-span": "600000" },
  el("div", { id: "lines" }), el("b", { "data-zone": "28" }), el("b", { "data-heat": "oven-a/temperature" }),
  el("div", { id: "live-trends" }, el("div", { class: "js-plotly-plot" }))))];

function line(more) {
  return {
    line: "core-1", title: "Core line 1", newest: T, state: "running", suspended: null, speed: 230.4, window: [200, 245], outside: false,
    drum: "1-1041", filling: 1, drum_page: "/drum/core-1/filling/1", drum_metre: 1234.6, planned_m: 4000, drum_change_s: 754,
    recipe: "core-2g5", cure: { advice: "", room: "cured" }, ribbon: { since: 0, runs: [[0, 1200, 0], [1200, 1234.6, 3]] },
    asks: { text: "", high: 0, medium: 0, low: 0, ended: 0, standing: 0, since: null }, ...more,
  };
}

function reply(lines, more) {
  return { t: T + 500, lines, needs: [], rejected: 0, alarms_key: "1", ...more };
}

test("a line that runs shows its state, speed within limits, drum and ribbon", async () => {
  const b = browser(linesPage, [reply([line()])]);
  await b.second();
  assert.equal(b.text(".line-title"), "Core line 1");
  assert.equal(b.text(".line-row .state"), "running");
  assert.equal(b.text(".speed"), "230 m/min limits 200\u2013245");
  assert.equal(b.text(".drum"), "drum 1-10411\u202f235 mof 4\u202f000 m");
  assert.equal(b.text(".drum-change"), "drum change in 12 min");
  assert.equal(b.text(".asks"), "no unacknowledged alarms");
  assert.equal(b.text("#need"), "No active or unacknowledged alarms.");
  assert.equal(b.text("#rejected"), "no message rejected");
  const strip = b.page.querySelector(".ribbon");
  assert.equal(strip.getAttribute("aria-label"), "Drum 1-1041: 1\u202f235 m wound; 35 m nonconforming");
  assert.deepEqual(strip.children.map((one) => one.className), ["wound", "run conforming", "run nonconforming"]);
  assert.equal(strip.children[1].style.width, "30%");
});

test("limits of speed, a drum without a plan and one that is due have their own words", async () => {
  const shown = async (more, selector) => {
    const b = browser(linesPage, [reply([line(more)])]);
    await b.second();
    return b.text(selector);
  };
  assert.equal(await shown({ window: [null, 245], outside: true }, ".speed"), "230 m/min outside up to 245");
  assert.equal(await shown({ window: [200, null] }, ".speed"), "230 m/min limits from 200");
  assert.equal(await shown({ window: null }, ".speed"), "230 m/min no limits");
  assert.equal(await shown({ speed: -0.004 }, ".speed"), "\u22120.004 m/min limits 200\u2013245");
  assert.equal(await shown({ speed: null }, ".speed"), "\u2013 m/min limits 200\u2013245");
  assert.equal(await shown({ planned_m: null }, ".drum"), "drum 1-10411\u202f235 mwound");
  assert.equal(await shown({ drum_change_s: 0.4 }, ".drum-change"), "drum change due");
  assert.equal(await shown({ drum_change_s: null }, ".drum-change"), "drum change: no estimate");
  assert.equal(await shown({ cure: { advice: "slow down to 210 m/min", room: "x" } }, ".cure"), "slow down to 210 m/min");
});

test("a line without a drum shows no ribbon of the drum before", async () => {
  const b = browser(linesPage, [reply([line()]), reply([line({ drum: null, ribbon: null, drum_change_s: null })])]);
  await b.second();
  await b.second();
  const strip = b.page.querySelector(".ribbon");
  assert.deepEqual([strip.children.length, strip.getAttribute("href")], [1, null]);
  assert.equal(strip.getAttribute("aria-label"), "No drum on the take-up");
  assert.deepEqual([b.text(".drum"), b.text(".metres"), b.text(".marks")], ["no drum on the take-up", "", ""]);
});

test("alarms are counted by priority, with the age of the oldest that goes on", async () => {
  const asks = { text: "Spark fault", high: 2, medium: 0, low: 1, ended: 1, standing: 0, since: T - 59_500 };
  const b = browser(linesPage, [reply([line({ asks })], { needs: [{ line: "core-1", why: "spark fault" }], rejected: 12345 })]);
  await b.second();
  assert.equal(b.text(".asks"), "2 high1 low1 ended, unacknowledgedSpark fault60 s ago");
  assert.equal(b.page.querySelector(".line-row").classList.contains("unacknowledged"), true);
  assert.equal(b.text("#need"), "Core line 1 (spark fault).");
  assert.equal(b.text("#rejected"), "12\u202f345 messages rejected: details");
  b.root.fetch = () => new Promise(() => {});
  await b.second();
  assert.equal(b.text(".ask-age"), "61 s ago");
});

test("what is too old is shown as no data, and a suspended line with its reason", async () => {
  const old = line({ line: "core-2", title: "Core line 2", newest: T - 20_000 });
  const b = browser(linesPage, [reply([line({ suspended: "its engine cannot be restored" }), old])]);
  await b.second();
  const [first, second] = b.page.querySelectorAll(".line-row");
  assert.equal(first.querySelector(".state").textContent, "suspended");
  assert.equal(first.querySelector(".behind").textContent, "its engine cannot be restored");
  assert.equal(second.querySelector(".state").textContent, "no data for 20 s");
  assert.deepEqual([first, second].map((row) => row.classList.contains("old")), [true, true]);
  assert.equal(b.text("#need"), "No active or unacknowledged alarms. No data from: Core line 2.");
});

test("a server that does not answer is no connection after four seconds, and a database its own", async () => {
  for (const [answer, says] of [["away", "no connection for 4 s"], [503, "database not readable for 4 s"], [404, ""]]) {
    const b = browser(linesPage, [reply([line()]), answer]);
    await b.second();
    assert.equal(b.text("#connection"), "");
    for (let i = 0; i < 4; i += 1) await b.second();
    assert.equal(b.text("#connection"), says || "no connection for 4 s");
    assert.equal(b.page.body.classList.contains("lost"), true);
    assert.equal(b.page.querySelector(".line-row").classList.contains("old"), true);
  }
});

test("the plant's time goes on between answers", async () => {
  const b = browser(linesPage, [reply([line()])]);
  await b.second();
  b.root.fetch = () => new Promise(() => {});
  await b.second();
  assert.equal(b.text("#works-time"), "02:43:21 CET");
});

test("after the first answer only the newest metres are asked for, and everything once in thirty", async () => {
  const b = browser(linesPage, [reply([line()])]);
  for (let i = 0; i < 31; i += 1) await b.second();
  assert.equal(b.asked[0], "/api/v1/live?");
  assert.equal(decodeURIComponent(b.asked[1]), "/api/v1/live?metres=core-1:834.6");
  assert.deepEqual(b.asked.map((one) => one === "/api/v1/live?").lastIndexOf(true), 30);
});

test("another drum whose first metres did not come is asked for whole", async () => {
  const later = line({ filling: 2, ribbon: { since: 100, runs: [[100, 110, 0]] } });
  const b = browser(linesPage, [reply([line()]), reply([later]), reply([later])]);
  for (let i = 0; i < 3; i += 1) await b.second();
  assert.equal(b.asked[2], "/api/v1/live?");
});

test("a request that is refused forgets the ribbons that it named", async () => {
  const b = browser(linesPage, [reply([line()]), 400, reply([line()])]);
  for (let i = 0; i < 3; i += 1) await b.second();
  assert.deepEqual(b.asked.map((one) => one.includes("metres")), [false, true, false]);
});

test("the page of a line shows dwell at its speed, temperatures and new samples at the end of each trace", async () => {
  const streams = { "oven-a/temperature": { t: [T - 1000, T], v: [289, 290], last: 290.4, newest: T, old_after_s: 5 } };
  const next = { "oven-a/temperature": { t: [T, T + 1000, T + 61_000], v: [290, 291, 292], last: 292, newest: T + 61_000, old_after_s: 5 } };
  const b = browser(linePage, [reply([line()], { shown: { streams } }), reply([line({ newest: T + 61_000 })], { t: T + 61_000, shown: { streams: next } })], "/line/core-1");
  const graph = b.page.querySelector(".js-plotly-plot");
  Object.assign(graph, { data: [{ meta: "oven-a/temperature", x: [], y: [] }], layout: { xaxis: {}, yaxis: {} }, on: (name, act) => { graph.acts = { [name]: act }; } });
  await b.second();
  assert.equal(b.text("[data-zone]"), "7.3 s");
  assert.equal(b.text("[data-heat]"), "290 \u00b0C");
  const [, first, layout, which] = b.plots[0];
  const shift = 3_600_000;
  assert.deepEqual([first.x[0], first.y[0], which].map((x) => [...x]), [[T - 1000 + shift, T + shift], [289, 290], [0]]);
  assert.equal(layout["xaxis.type"], "date");
  assert.deepEqual([...layout["xaxis.range"]], [T + 500 + shift - 600_000, T + 500 + shift]);
  Object.assign(graph.data[0], { x: [...first.x[0]], y: [...first.y[0]] });
  graph.acts.plotly_relayout({ "xaxis.range[0]": 1 }); // someone looks at a piece: the axis stays
  await b.second();
  assert.equal(b.asked[1], "/api/v1/live?line=core-1&since=" + (T - 5000) + "&metres=" + encodeURIComponent("core-1:834.6"));
  const [, more, stays] = b.plots[1];
  const end = T + 1000 + shift;
  assert.deepEqual([...more.x[0]], [T - 1000 + shift, T + shift, end, end + 1, T + 61_000 + shift]); // a gap is left open
  assert.deepEqual([...more.y[0]], [289, 290, 291, null, 292]);
  assert.equal("xaxis.range" in stays, false);
  graph.acts.plotly_relayout({ "xaxis.autorange": true });
});

test("another recipe turns the page of its line", async () => {
  const b = browser(linePage, [reply([line({ recipe: "core-1g5" })])], "/line/core-1");
  await b.second();
  assert.deepEqual(JSON.parse(JSON.stringify(b.set)), [["page-turn", { data: "core-1g5" }]]);
});

test("ages go on by themselves, and an answer that nobody confirms is named after fifteen seconds", async () => {
  const aged = (el) => [...linesPage(el), el("i", { "data-ago": String(T - 9_500) }), el("em", { class: "sent-age", "data-ago": String(T - 14_600) })];
  const b = browser(aged, [reply([line()])]);
  await b.second();
  assert.deepEqual([b.text("i[data-ago]"), b.text(".sent-age")], ["10 s ago", "15 s ago; no confirmation from the monitor: check that it is running"]);
});

test("a link in the list turns the page without loading it, unless a new tab is wanted", async () => {
  const b = browser(linesPage, [reply([line()])]);
  await b.second();
  const link = b.page.querySelector(".line-title");
  assert.equal(link.dispatch("click", { ctrlKey: true }).defaultPrevented, false);
  assert.equal(b.set.length, 0);
  assert.equal(link.click().defaultPrevented, true);
  assert.deepEqual(JSON.parse(JSON.stringify(b.set)), [["location", { pathname: "/line/core-1" }]]);
});

test("the theme follows what was kept, then the system, and a press turns it round", () => {
  const b = browser(linesPage, [reply([])]);
  assert.deepEqual([...b.act.theme(undefined, null)], ["no update", "light", "Dark"]);
  assert.deepEqual([...b.act.theme(undefined, "dark")], ["no update", "dark", "Light"]);
  assert.deepEqual([...b.act.theme(1, "dark")], ["light", "light", "Dark"]);
  assert.deepEqual([...b.act.theme(2, "light")], ["dark", "dark", "Light"]);
  b.root.matchMedia = () => ({ matches: true });
  assert.deepEqual([...b.act.theme(undefined, "neither")], ["no update", "dark", "Light"]);
});

test("what is chosen is in the address of its own page only", () => {
  const b = browser(linesPage, [reply([])], "/trend");
  b.act.trendAddress("core-1", "custom", ["a/b", "c/d"], "2025-01-01", "2025-01-02");
  b.act.trendAddress("core-1", "1 h", ["a/b"], "2025-01-01", "2025-01-02");
  b.act.trendAddress("core-1", "1 h", [], null, null);
  b.act.recurringAddress("core-1", "event:", "20");
  b.root.location.pathname = "/recurring";
  b.act.trendAddress("core-1", "1 h", ["a/b"], null, null);
  b.act.recurringAddress("core-1", "event:", "20");
  assert.deepEqual(b.replaced, [
    "?line=core-1&span=custom&streams=a%2Fb%2Cc%2Fd&from=2025-01-01&until=2025-01-02",
    "?line=core-1&span=1+h&streams=a%2Fb", "?line=core-1&what=event%3A&drums=20",
  ]);
});

test("what is searched for among drums is in the address, without what is empty", () => {
  const b = browser(linesPage, [reply([])], "/drums");
  const newest = { name: "", line: null, recipe: null, undecided: false, page: 0 };
  b.act.drumsAddress({ ...newest, name: "1-10", undecided: true, page: 2 });
  b.act.drumsAddress(newest);
  b.root.location.pathname = "/alarms";
  b.act.drumsAddress({ ...newest, name: "x" });
  assert.deepEqual(b.replaced, ["?name=1-10&undecided=yes&page=3", "/drums"]);
});

test("a page that arrives is named, marked in the navigation, and takes the keyboard", () => {
  const b = browser(linesPage, [reply([])], "/");
  b.act.arrive("Alarms", "/alarms");
  assert.equal(b.page.title, "Alarms, everymetre");
  assert.deepEqual(b.page.querySelectorAll("#navigation a").map((one) => one.getAttribute("aria-current")), [null, "page"]);
  assert.equal(b.page.activeElement.id, "content");
  b.page.activeElement = null;
  b.act.arrive("", "/alarms");
  assert.deepEqual([b.page.title, b.page.activeElement], ["everymetre", null]);
});

test("a past that comes in is shown with how far it is behind, on its line and in the head", async () => {
  const b = browser(linesPage, [0, 10, 20, 30].map((s, i) => reply([line({ newest: T - 3_600_000 + s * 1000 })], { t: T + i * 1000 })));
  for (let i = 0; i < 4; i += 1) await b.second();
  assert.match(b.text("#connection"), /^catching up: 59 min behind, about \d+ min left$/);
  assert.match(b.text(".behind"), /^catching up: 59 min behind/);
  assert.match(b.text("#need"), /The past is still coming in from 1 of 1 lines/);
  assert.equal(b.page.querySelector(".line-row").classList.contains("old"), false);
});

const mapPage = (el) => [...header(el), el("main", { id: "content" }, el("div", { "data-page": "drum", "data-length": "1000" },
  el("div", { id: "fault-map" }, el("div", { class: "js-plotly-plot" }))))];

test("the upper axis of a fault map follows the lower one backwards, and a click asks for the metre under it", async () => {
  const b = browser(mapPage, [reply([])], "/drum/core-1/filling/1");
  const graph = b.page.querySelector(".js-plotly-plot");
  const layout = { xaxis: { range: [100, 300] }, xaxis2: { range: [1000, 0] } };
  Object.assign(graph, {
    layout, _fullLayout: { _size: { l: 50, w: 500 }, xaxis: { p2d: (x) => 2 * x } },
    on: (name, act) => { graph.acts = { [name]: act }; }, getBoundingClientRect: () => ({ left: 10 }),
  });
  await b.second();
  graph.acts.plotly_relayout();
  assert.deepEqual(JSON.parse(JSON.stringify(b.plots[0][1])), { "xaxis2.range": [900, 700] });
  layout.xaxis2.range = [900, 700];
  graph.acts.plotly_relayout();
  assert.equal(b.plots.length, 1); // nothing to follow: it does not call itself for ever
  const click = (down, up) => { graph.dispatch("pointerdown", { clientX: down }); b.root.heard.pointerup({ clientX: up }); };
  click(60 + 100.4, 60 + 100.4);
  assert.deepEqual(JSON.parse(JSON.stringify(b.set)), [["history-metre", { value: 200 }]]);
  click(160, 170); // dragged: a piece was chosen
  click(59, 59); // beside the map
  click(561, 561);
  click(60 + 500, 60 + 500); // the drum ends there
  assert.equal(b.set.length, 1);
  await b.second();
  click(60, 60);
  assert.equal(b.set.length, 2); // and is heard once
});

const trendPage = (el) => [...header(el), el("main", { id: "content" }, el("div", { "data-page": "trend", "data-line": "core-1", "data-shift": "1000", "data-start": "0", "data-end": "100000" },
  el("div", { id: "long-trends" }, el("div", { class: "js-plotly-plot" }))))];

test("a piece of a long trend is fetched anew within what the page shows, and double click brings all of it back", async () => {
  const b = browser(trendPage, [reply([]), { t: [5000, 6000], v: [1, 2] }, 404], "/trend");
  const graph = b.page.querySelector(".js-plotly-plot");
  Object.assign(graph, {
    data: [{ meta: "a/b" }, { meta: "c/d" }], layout: { xaxis: {}, xaxis2: {} }, on: (name, act) => { graph.acts = { [name]: act }; },
    _fullLayout: { xaxis: { range: [-500, 21000.4], r2c: (x) => x } },
  });
  b.root.setTimeout = (act) => { b.later = act; return 1; };
  await b.second();
  b.later = null;
  graph.acts.plotly_relayout({ "yaxis.range[0]": 1 });
  assert.equal(b.later, null);
  graph.acts.plotly_relayout({ "xaxis.range[0]": 1 });
  await b.later();
  assert.deepEqual(b.asked.slice(1).map((one) => decodeURIComponent(one)), [
    "/api/v1/trend?stream=core-1/a/b&start=0&end=20001&points=2000", "/api/v1/trend?stream=core-1/c/d&start=0&end=20001&points=2000",
  ]);
  const [, data, layout, which] = b.plots[0]; // the second stream was not answered: it stays as it is
  assert.deepEqual(JSON.parse(JSON.stringify([data, which])), [{ x: [[6000, 7000]], y: [[1, 2]] }, [0]]);
  assert.deepEqual({ ...layout }, { "xaxis.type": "date", "xaxis2.type": "date" });
  graph._fullLayout.xaxis.range = [200_000, 300_000]; // beyond the end
  graph.acts.plotly_relayout({ "xaxis.range[0]": 1 });
  await b.later();
  assert.equal(b.asked.length, 3);
  graph.acts.plotly_relayout({ "xaxis.autorange": true });
  await b.later();
  assert.match(decodeURIComponent(b.asked[3]), /start=0&end=100000/);
});
