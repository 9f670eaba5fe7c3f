// The alarm list in the browser: what it asks for, which rows it draws again, and its history.
"use strict";
const test = require("node:test");
const assert = require("node:assert/strict");
const { browser } = require("./browser.js");
const T = 1_764_035_000_000;

const page = (el) => [el("span", { id: "connection" }), el("time", { id: "works-time" }), el("main", { id: "content" },
  el("div", { "data-page": "alarms" }), el("div", { id: "alarms-now" }), el("div", { id: "alarms-history", "data-spans": "8 h=8,24 h=24" }))];

function row(more) {
  return { version: "1", unacknowledged: true, priority: "high", state_text: "unacknowledged", line: "Core line 1", title: "Spark fault", value: "1", limit: "",
    since: "02:43 CET", occurrence: T, where: { text: " 312.0 m", drum: "1-1041", href: "/drum/core-1/filling/1" },
    response: [["Corrective action", "Mark the place."]], t: T, state: "unacknowledged", ...more };
}

const live = (key) => ({ t: T, lines: [], needs: [], rejected: 0, alarms_key: key });
const list = (newest, rows, order) => ({ newest, order: order || Object.entries(rows).map(([key, one]) => [key, one.version]), rows });
const past = (rows, more) => ({ rows, page: 0, size: 2, total: rows.length, until: T, ...more });
const change = (what) => ({ when: "02:43", line: "Core line 1", priority: "low", what, event: "raised", after: "unacknowledged", value: "3.7 mm", recipe: "core-2g5, 1", by: "", reason: "" });

// Answers by the beginning of the address, each list in turn, the last one again.
function at(answers, search = "") {
  const b = browser(page, [{}], "/alarms");
  b.root.location.search = search;
  b.root.fetch = async (address) => {
    b.asked.push(address);
    const [, left] = Object.entries(answers).filter(([start]) => address.startsWith(start)).sort(([x], [y]) => y.length - x.length)[0];
    const answer = left.length > 1 ? left.shift() : left[0];
    return answer === "away" ? Promise.reject(new Error("away")) : { ok: true, status: 200, json: async () => answer };
  };
  const second = b.second;
  b.second = async (sent) => { await second(sent); for (let i = 0; i < 8; i += 1) await new Promise(setImmediate); };
  b.rows = () => b.page.querySelectorAll("#alarms-now tbody");
  return b;
}

test("an alarm is a row with its priority, place and response, and a button that opens its form", async () => {
  const b = at({ "/api/v1/live": [live("1")], "/api/v1/alarms": [list(1, { a: row() })], "/api/v1/alarm-changes": [past([])] });
  await b.second();
  const [one] = b.rows();
  assert.deepEqual([one.className, one.querySelector("th").textContent], ["unacknowledged", "Spark fault"]);
  assert.equal(one.querySelector(".strokes").children.length, 3);
  assert.equal(one.querySelector("a").href, "/drum/core-1/filling/1");
  assert.equal(one.querySelector(".response").textContent, "Corrective action Mark the place.");
  one.querySelector("button").click();
  const [[id, { data }]] = b.set;
  assert.deepEqual([id, data.key], ["asked", "a"]);
  assert.deepEqual(b.page.querySelectorAll("#alarms-now td").filter((td) => !td.dataset.label).length, 1); // all but the response
});

test("only rows that changed are drawn again, in the order of the answer, and the keyboard stays where it was", async () => {
  const both = { a: row(), b: row({ title: "Lump" }) };
  const later = list(2, { b: row({ title: "Lump", version: "2", state_text: "acknowledged", unacknowledged: false }) }, [["b", "2"], ["a", "1"]]);
  const b = at({ "/api/v1/live": [live("1"), live("2")], "/api/v1/alarms": [list(1, both), later], "/api/v1/alarm-changes": [past([])] });
  await b.second();
  const [a, lump] = b.rows();
  lump.querySelector("button").focus();
  await b.second();
  const [first, second] = b.rows();
  assert.equal(second, a); // the same element
  assert.notEqual(first, lump);
  assert.equal(first.querySelector(".state").textContent, "acknowledged");
  assert.equal(b.page.activeElement, first.querySelector("button"));
  assert.ok(b.asked.includes("/api/v1/alarms?since=1"));
});

test("nothing is asked for while no alarm changes, and an answer with a hole is asked for whole", async () => {
  const hole = list(2, {}, [["a", "1"], ["new", "1"]]);
  const whole = list(3, { a: row(), new: row({ title: "Neck" }) });
  const b = at({ "/api/v1/live": [live("1"), live("1"), live("2")], "/api/v1/alarms": [list(1, { a: row() }), hole, whole], "/api/v1/alarm-changes": [past([])] });
  await b.second();
  await b.second();
  assert.equal(b.asked.filter((one) => one.startsWith("/api/v1/alarms")).length, 1);
  await b.second();
  assert.deepEqual(b.asked.filter((one) => one.startsWith("/api/v1/alarms")).slice(1), ["/api/v1/alarms?since=1", "/api/v1/alarms"]);
  assert.deepEqual(b.rows().map((one) => one.querySelector("th").textContent), ["Spark fault", "Neck"]);
});

test("a list that could not be fetched is fetched with the next answer, whole", async () => {
  const b = at({ "/api/v1/live": [live("1")], "/api/v1/alarms": ["away", list(1, { a: row() })], "/api/v1/alarm-changes": [past([])] });
  await b.second();
  assert.equal(b.rows().length, 0);
  await b.second();
  assert.equal(b.rows().length, 1);
});

test("the last alarm that is over leaves a sentence", async () => {
  const b = at({ "/api/v1/live": [live("1"), live("2")], "/api/v1/alarms": [list(1, { a: row() }), list(2, {})], "/api/v1/alarm-changes": [past([])] });
  await b.second();
  await b.second();
  assert.deepEqual(b.rows().map((one) => one.textContent), ["No active or unacknowledged alarms."]);
});

test("an answer that was sent stands in its row until the record shows it", async () => {
  const shown = list(2, { a: row({ version: "2", t: T + 2000, state: "acknowledged" }) });
  const b = at({ "/api/v1/live": [live("1"), live("1"), live("2")], "/api/v1/alarms": [list(1, { a: row() }), shown], "/api/v1/alarm-changes": [past([])] });
  const sent = [{ key: "a", action: "acknowledge", t: T + 1000, state: "unacknowledged" }];
  await b.second();
  await b.second(sent);
  assert.equal(b.text("#alarms-now .sent"), "acknowledgement sent, awaiting confirmation");
  await b.second(sent);
  assert.equal(b.page.querySelector("#alarms-now .sent"), null);
});

test("the history turns its pages up to the same moment, and span and page are where the address says", async () => {
  const many = { total: 5, until: T - 7 };
  const pages = [past([change("one"), change("two")], many), past([change("three"), change("four")], { ...many, page: 1 }), past([change("five")], { ...many, page: 2 }), past([])];
  const b = at({ "/api/v1/live": [live("1")], "/api/v1/alarms": [list(1, {})], "/api/v1/alarm-changes": pages }, "?hours=24");
  await b.second();
  const of = () => b.asked.filter((one) => one.startsWith("/api/v1/alarm-changes"));
  const press = async (does) => { b.page.querySelector('[data-does="' + does + '"]').focus(); b.page.activeElement.click(); for (let i = 0; i < 8; i += 1) await new Promise(setImmediate); };
  const button = (does) => b.page.querySelector('[data-does="' + does + '"]');
  assert.equal(of()[0], "/api/v1/alarm-changes?hours=24&page=0");
  assert.equal(b.text("#alarms-history .message"), "1 to 2 of 5, newest first");
  assert.deepEqual([button("newer").disabled, button("older").disabled], [true, false]);
  assert.deepEqual(["span8", "span24"].map((one) => button(one).getAttribute("aria-pressed")), ["false", "true"]);
  await press("older");
  assert.equal(of()[1], "/api/v1/alarm-changes?hours=24&page=1&until=" + (T - 7));
  assert.equal(b.page.activeElement, button("older")); // the new button of the same name
  await press("older");
  assert.equal(b.text("#alarms-history .message"), "5 to 5 of 5, newest first");
  assert.equal(button("older").disabled, true);
  await press("span8");
  assert.deepEqual([b.replaced, of()[3]], [["?hours=8"], "/api/v1/alarm-changes?hours=24&page=0"]); // the address of this page is given
  assert.deepEqual([b.text("#alarms-history .message"), b.text("#alarms-history .empty")], ["none", "No alarm events in this period."]);
});

test("an unknown span is the first, and each cell of the history bears its head", async () => {
  const b = at({ "/api/v1/live": [live("1")], "/api/v1/alarms": [list(1, {})], "/api/v1/alarm-changes": [past([change("one")])] }, "?hours=7");
  await b.second();
  assert.ok(b.asked.includes("/api/v1/alarm-changes?hours=8&page=0"));
  const cells = b.page.querySelectorAll("#alarms-history td");
  assert.deepEqual(cells.map((one) => one.dataset.label), ["When", "Line", "Priority", "Alarm", "Event", "New state", "Value", "Recipe, revision", "By", "Reason"]);
  assert.deepEqual(cells.filter((one) => one.className === "n").map((one) => one.textContent), ["3.7 mm"]);
});
