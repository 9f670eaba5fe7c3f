// Staleness: "no data for 12 s" is not "no connection", and a value that is not fresh is never alive.
"use strict";
const test = require("node:test");
const assert = require("node:assert/strict");
const path = require("node:path");
const assets = path.join(__dirname, "..", "..", "dashboard", "assets");
const Age = require(path.join(assets, "a-age.js"));
const Ribbon = require(path.join(assets, "b-ribbon.js"));

test("fresh data over a living connection is alive", () => {
  const fresh = Age.freshness(0.4, 100_000, 99_500, 5);
  assert.deepEqual([fresh.kind, fresh.alive, fresh.text], ["live", true, ""]);
});

test("old data over a living connection is no data, with its age", () => {
  const fresh = Age.freshness(0.5, 112_000, 100_500, 5);
  assert.deepEqual([fresh.kind, fresh.alive, fresh.text], ["no data", false, "no data for 12 s"]);
});

test("a server that does not answer is no connection, however new its last data was", () => {
  const fresh = Age.freshness(12.3, 100_000, 100_000, 5);
  assert.deepEqual([fresh.kind, fresh.alive, fresh.text], ["no connection", false, "no connection for 12 s"]);
});

test("before the first answer nothing is alive", () => {
  assert.equal(Age.freshness(null, 0, null, 5).alive, false);
});

test("a stream never heard says so", () => {
  assert.equal(Age.freshness(0.1, 100_000, null, 5).text, "never heard");
});

test("a sample ahead of the server's clock is not older than new", () => {
  assert.equal(Age.freshness(0, 100_000, 104_000, 5).age_s, 0);
});

test("age goes on between answers, by the browser's own running time only", () => {
  assert.equal(Age.freshness(3, 100_000, 98_000, 5).kind, "no data");
  assert.equal(Age.serverNow(100_000, 3), 103_000);
});

test("nothing is alive once it is older than its rule, for any rule", () => {
  for (let rule = 1; rule < 40; rule += 1) {
    for (let age = 0; age < 80; age += 1) {
      assert.equal(Age.freshness(0, 1_000_000, 1_000_000 - age * 1000, rule).alive, age < rule);
    }
  }
});

test("spans of time are short", () => {
  assert.deepEqual([0, 89, 90, 5399, 5400, 7500].map(Age.span), ["0 s", "89 s", "1 min", "89 min", "1 h 30 min", "2 h 05 min"]);
});

test("merging runs loses no metre and counts none twice, wherever the server begins anew", () => {
  let seed = 7;
  const random = () => (seed = (seed * 16807) % 2147483647) / 2147483647;
  for (let round = 0; round < 300; round += 1) {
    const verdicts = Array.from({ length: 200 }, () => Math.floor(random() * 4));
    const runs = (from, to) => verdicts.slice(from, to).map((v, i) => [from + i, from + i + 1, v]);
    const had = Math.floor(random() * 200), since = Math.floor(random() * had);
    const merged = Ribbon.merge(Ribbon.merge([], 0, runs(0, had)), since, runs(since, 200));
    let at = 0;
    for (const [a, b, v] of merged) {
      assert.equal(a, at);
      for (let m = a; m < b; m += 1) assert.equal(verdicts[m], v);
      at = b;
    }
    assert.equal(at, 200);
  }
});

test("a metre judged anew takes its new verdict", () => {
  assert.deepEqual(Ribbon.merge([[0, 100, 0]], 80, [[80, 90, 0], [90, 91, 3], [91, 120, 0]]), [[0, 90, 0], [90, 91, 3], [91, 120, 0]]);
});

test("places on the strip", () => {
  const cases = JSON.parse(process.env.PLACES || "[]");
  assert.ok(cases.length > 0, "the Python side gives the cases");
  for (const { start, end, full, place } of cases) {
    const [left, width] = Ribbon.place(start, end, full);
    assert.ok(Math.abs(left - place[0]) < 1e-9 && Math.abs(width - place[1]) < 1e-9);
  }
});

test("metre marks are round and few", () => {
  for (const full of [10, 37, 480, 3600, 4000, 12345]) {
    const marks = Ribbon.marks(full);
    assert.equal(marks[0], 0);
    assert.ok(marks.length <= 9 && marks.length >= 3, String(full));
  }
});

// ---- the alarm list ----

require(path.join(assets, "a-elements.js"));
const Alarms = require(path.join(assets, "c-alarms.js"));

test("an answer that was sent is shown until the record shows it", () => {
  const sent = [{ key: "a", action: "acknowledge", t: 1000, state: "unacknowledged" }];
  assert.equal(Alarms.pending(sent, "a", { t: 900, state: "unacknowledged" }).action, "acknowledge");
  assert.equal(Alarms.pending(sent, "a", { t: 1300, state: "acknowledged" }), null);
  assert.equal(Alarms.pending(sent, "a", { t: 900, state: "shelved" }), null);
  assert.equal(Alarms.pending(sent, "b", { t: 900, state: "unacknowledged" }), null);
});

test("a reply with what changed keeps the other rows, and tells where one is missing", () => {
  const had = { a: { version: "1" }, b: { version: "1" }, gone: { version: "1" } };
  const reply = { order: [["b", "2"], ["a", "1"]], rows: { b: { version: "2" } } };
  assert.deepEqual(Alarms.merged(had, reply), { rows: { a: { version: "1" }, b: { version: "2" } }, complete: true });
  assert.equal(Alarms.merged(had, { order: [["a", "3"]], rows: {} }).complete, false);
  assert.equal(Alarms.merged({}, { order: [["new", "1"]], rows: {} }).complete, false);
});
