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

// One answer a second, `stamps` the newest stamp in each, in seconds like the times.
function answers(first_s, stamps) {
  return stamps.reduce((kept, stamp, i) => Age.remember(kept, (first_s + i) * 1000, stamp * 1000), []);
}

test("D10: a past that comes in is said with how far it is behind and how long it takes", () => {
  const coming = Age.catchingUp(answers(10_000, [1000, 1010, 1020, 1030]));
  assert.equal(coming.behind_s, 8973);
  assert.equal(coming.left_s, 997); // ten seconds a second, and the present moves on by one
  const fresh = Age.freshness(0.2, 10_003_000, 1_030_000, 5, coming);
  assert.deepEqual([fresh.kind, fresh.alive, fresh.text], ["catching up", true, "catching up: 2 h 29 min behind, about 16 min left"]);
});

test("D10: a line that was up to date and stops is no data at once", () => {
  const stamps = [999.8, 1000.8, 1001.8, 1001.8, 1001.8, 1001.8, 1001.8, 1001.8, 1001.8];
  assert.equal(Age.catchingUp(answers(1000, stamps)), null);
  assert.equal(Age.freshness(0.2, 1_008_000, 1_001_800, 5, null).kind, "no data");
});

test("D10: a past that stops coming in is no data after some seconds", () => {
  const moving = [100, 110, 120];
  assert.notEqual(Age.catchingUp(answers(1000, [...moving, ...Array(10).fill(120)])), null);
  assert.equal(Age.catchingUp(answers(1000, [...moving, ...Array(11).fill(120)])), null);
});

test("D10: a delay that stays as it is comes no nearer", () => {
  const coming = Age.catchingUp(answers(1000, [400, 401, 402, 403]));
  assert.deepEqual(coming, { behind_s: 600, left_s: null });
  assert.equal(Age.behind(coming), "10 min behind, not catching up");
});

test("D10: one answer, or stamps that never move, show nothing that comes in", () => {
  assert.equal(Age.catchingUp(answers(1000, [400])), null);
  assert.equal(Age.catchingUp(answers(1000, [400, 400, 400])), null);
  assert.deepEqual(Age.remember([], 1000, null), []);
});

test("D10: no connection outweighs a past that was coming in", () => {
  assert.equal(Age.freshness(12, 10_000, 1_000, 5, { behind_s: 9, left_s: 1 }).kind, "no connection");
});

test("a stream without data is named as such", () => {
  assert.equal(Age.freshness(0.1, 100_000, null, 5).text, "no data received yet");
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
