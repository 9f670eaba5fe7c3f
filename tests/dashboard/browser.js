// A browser for node: our scripts, as a page loads them, over a small document, on a clock and answers that are given.
"use strict";
const fs = require("node:fs");
const path = require("node:path");
const vm = require("node:vm");
const { documentWith } = require("./small_dom.js");
const assets = path.join(__dirname, "..", "..", "dashboard", "assets");
const SCRIPTS = ["a-age.js", "a-elements.js", "b-ribbon.js", "c-alarms.js", "live.js"];

// A browser at a page. `answers` are given to its requests in turn, the last one again; a number is a status.
function browser(build, answers, at = "/") {
  const page = documentWith(build), clock = { ms: 1000 }, asked = [], set = [], plots = [], replaced = [];
  const root = {
    document: page, console, URLSearchParams, AbortController, Intl, Date,
    setTimeout: () => 0, clearTimeout: () => {}, performance: { now: () => clock.ms },
    location: { pathname: at, search: "" },
    history: { state: null, replaceState: (state, title, address) => replaced.push(address) },
    matchMedia: () => ({ matches: false }),
    Plotly: { update: (...given) => { plots.push(given); return Promise.resolve(); }, relayout: (...given) => plots.push(given) },
    dash_clientside: { no_update: "no update", set_props: (id, props) => set.push([id, props]) },
    fetch: async (address) => {
      asked.push(address);
      const answer = answers.length > 1 ? answers.shift() : answers[0];
      if (answer === "away") throw new Error("away");
      return typeof answer === "number" ? { ok: false, status: answer } : { ok: true, status: 200, json: async () => answer };
    },
  };
  root.window = root;
  root.addEventListener = (name, act) => { root.heard = { ...root.heard, [name]: act }; };
  vm.createContext(root);
  for (const name of SCRIPTS) vm.runInContext(fs.readFileSync(path.join(assets, name), "utf8"), root, { filename: name });
  const act = root.dash_clientside.everymetre;
  const second = async (sent) => { clock.ms += 1000; act.second(0, null, sent || []); await new Promise(setImmediate); await new Promise(setImmediate); };
  const text = (selector) => page.querySelector(selector).textContent;
  return { page, clock, asked, set, plots, replaced, root, act, second, text };
}

module.exports = { browser };
