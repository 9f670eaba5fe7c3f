// The alarm list and its history. `live.js` calls `turn` when an alarm has changed: rows that changed are drawn again.
(function (root) {
  "use strict";

  const Draw = root.everymetreElements;
  const HEADS = ["Priority", "State", "Line", "Alarm", "Value", "Limit", "Activated", "Position", "Response"];
  const PAST = ["When", "Line", "Priority", "Alarm", "Event", "New state", "Value", "Recipe, revision", "By", "Reason"];
  const SENT = { acknowledge: "acknowledgement", shelve: "shelving", unshelve: "unshelving" };
  const CAPTION = "Alarms not in the normal state, most urgent first";
  const memory = { rows: {}, order: [], newest: null, sent: [], busy: false, again: false, shown: null, page: 0, until: null };

  // ---- pure ------------------------------------------------------------------------------------------------

  // The answer that was sent for a row and that the record does not show yet, or null.
  function pending(sent, key, row) {
    return sent.find((s) => s.key === key && row.t < s.t && row.state === s.state) || null;
  }

  // Rows by key after a reply, and whether any that it names is missing: a line may report later than the others.
  function merged(rows, reply) {
    const found = {};
    let complete = true;
    for (const [key, version] of reply.order) {
      const row = reply.rows[key] || rows[key];
      if (row && row.version === version) found[key] = row;
      else complete = false;
    }
    return { rows: found, complete };
  }

  // "8 h=8,24 h=24" as [[label, hours], ...].
  function spans(text) {
    return text.split(",").map((one) => one.split("=")).map(([label, hours]) => [label, Number(hours)]);
  }

  // ---- what is open now --------------------------------------------------------------------------------------

  async function ask(address) {
    const answer = await fetch(address, { cache: "no-cache" });
    if (!answer.ok) throw new Error("answer " + answer.status);
    return answer.json();
  }

  // Resolves to false where the server did not answer: the caller then turns again.
  async function turn() {
    if (memory.busy) { memory.again = true; return true; }
    memory.busy = true;
    try {
      const whole = memory.newest === null || !document.querySelector("#alarms-now table");
      let reply = await ask("/api/v1/alarms" + (whole ? "" : "?since=" + memory.newest));
      let had = merged(memory.rows, reply);
      if (!had.complete) {
        reply = await ask("/api/v1/alarms");
        had = merged({}, reply);
      }
      memory.rows = had.rows;
      memory.order = reply.order.map(([key]) => key).filter((key) => had.rows[key]);
      memory.newest = reply.newest;
      paint();
      if (memory.page === 0) await past();
      return true;
    } catch (error) {
      memory.newest = null; // the header says that there is no connection; the next turn asks for everything
      return false;
    } finally {
      memory.busy = false;
      if (memory.again) { memory.again = false; turn(); }
    }
  }

  function paint() {
    const room = document.getElementById("alarms-now");
    if (!room || memory.newest === null) return;
    if (!room.firstChild) room.append(Draw.table(CAPTION, HEADS, [4, 5], "alarms wide"));
    const table = room.querySelector("table");
    const had = new Map([...table.tBodies].map((body) => [body.dataset.key, body]));
    let before = table.tHead;
    for (const key of memory.order.length ? memory.order : [""]) {
      const body = bodyOf(key, had.get(key));
      had.delete(key);
      if (before.nextSibling !== body) before.after(body);
      before = body;
    }
    for (const body of had.values()) body.remove();
  }

  // The body of one alarm: the one that is there if it still says what it should, else a new one in its place.
  function bodyOf(key, present) {
    const row = memory.rows[key];
    const sent = row ? pending(memory.sent, key, row) : null;
    const version = row ? row.version + (sent ? sent.action + sent.t : "") : "none";
    if (present && present.dataset.version === version) return present;
    const made = row ? alarmBody(key, row, sent) : emptyBody("No active or unacknowledged alarms.", HEADS.length);
    made.dataset.key = key;
    made.dataset.version = version;
    if (present) {
      const focused = present.contains(document.activeElement);
      present.replaceWith(made);
      if (focused && made.querySelector("button")) made.querySelector("button").focus();
    }
    return made;
  }

  function emptyBody(text, wide) {
    const body = Draw.el("tbody"), row = Draw.el("tr"), cell = Draw.el("td", "empty", text);
    cell.colSpan = wide;
    row.append(cell);
    body.append(row);
    return body;
  }

  function alarmBody(key, row, sent) {
    const body = Draw.el("tbody", row.unacknowledged ? "unacknowledged" : "quiet"), first = Draw.el("tr");
    const cell = (head, className, ...parts) => {
      const made = Draw.el("td", className);
      made.dataset.label = head;
      made.append(...parts);
      return made;
    };
    const title = Draw.el("th", "", row.title);
    title.scope = "row";
    title.dataset.label = "Alarm";
    const state = cell("State", "state", ...(row.unacknowledged ? [Draw.el("span", "mark")] : []), row.state_text);
    const ago = Draw.el("span", "ago");
    ago.dataset.ago = row.occurrence;
    first.append(
      cell("Priority", "", Draw.tally(row.priority)), state, cell("Line", "", row.line), title,
      cell("Value", "n", row.value), cell("Limit", "n", row.limit), cell("Activated", "", row.since, Draw.el("br"), ago),
      cell("Position", "", ...place(row.where)), cell("Response", "", ...answerParts(key, sent)),
    );
    body.append(first);
    if (row.response.length) body.append(responseRow(row.response));
    return body;
  }

  function place(where) {
    if (!where.href) return [where.text];
    const link = Draw.el("a", "", where.drum);
    link.href = where.href;
    return [link, where.text];
  }

  function responseRow(response) {
    const row = Draw.el("tr", "response"), cell = Draw.el("td");
    cell.colSpan = HEADS.length;
    for (const [label, text] of response) {
      const part = Draw.el("span");
      part.append(Draw.el("b", "", label + " "), text);
      cell.append(part);
    }
    row.append(cell);
    return row;
  }

  function answerParts(key, sent) {
    const button = Draw.el("button", "answer", "Respond");
    button.type = "button";
    button.addEventListener("click", () => root.dash_clientside.set_props("asked", { data: { key, at: Date.now() } }));
    if (!sent) return [button];
    const age = Draw.el("span", "sent-age");
    age.dataset.ago = sent.t;
    return [Draw.el("span", "sent", SENT[sent.action] + " sent, awaiting confirmation"), age, button];
  }

  // ---- how they changed --------------------------------------------------------------------------------------

  // Span and page are in the address, so that a reload and a link show the same.
  function chosen(room) {
    const asked = new URLSearchParams(location.search);
    const hours = Number(asked.get("hours")), known = spans(room.dataset.spans).map(([, h]) => h);
    return { hours: known.includes(hours) ? hours : known[0] };
  }

  async function past() {
    const room = document.getElementById("alarms-history");
    if (!room) return;
    const asked = new URLSearchParams({ hours: chosen(room).hours, page: memory.page });
    if (memory.page > 0) asked.set("until", memory.until);
    const reply = await ask("/api/v1/alarm-changes?" + asked);
    memory.until = reply.until;
    const focused = room.contains(document.activeElement) ? document.activeElement.dataset.does : null;
    room.replaceChildren(pastControls(room, reply), pastTable(reply));
    const again = focused && room.querySelector('[data-does="' + focused + '"]');
    if (again) again.focus();
  }

  function pastControls(room, reply) {
    const made = Draw.el("div", "controls choices");
    const button = (text, does, act, on) => {
      const one = Draw.el("button", "choice", text);
      one.type = "button";
      one.dataset.does = does;
      one.addEventListener("click", act);
      if (on !== undefined) one.setAttribute("aria-pressed", String(on));
      made.append(one);
      return one;
    };
    const hours = chosen(room).hours;
    for (const [label, h] of spans(room.dataset.spans)) {
      button("last " + label, "span" + h, () => go({ hours: h }, 0), h === hours);
    }
    const first = reply.page * reply.size;
    button("Newer", "newer", () => go({}, memory.page - 1)).disabled = reply.page === 0;
    button("Older", "older", () => go({}, memory.page + 1)).disabled = first + reply.rows.length >= reply.total;
    const last = first + reply.rows.length;
    const text = reply.total ? first + 1 + " to " + last + " of " + reply.total + ", newest first" : "none";
    const count = Draw.el("span", "message", text);
    count.setAttribute("role", "status");
    made.append(count);
    return made;
  }

  function go(choice, page) {
    memory.page = Math.max(page, 0);
    if (choice.hours) history.replaceState(history.state, "", "?hours=" + choice.hours);
    past().catch(() => { memory.newest = null; });
  }

  function pastTable(reply) {
    const room = Draw.table("Alarm history", PAST, [6], "history wide");
    const body = Draw.el("tbody");
    for (const row of reply.rows) {
      const line = Draw.el("tr");
      for (const [i, name] of ["when", "line", "priority", "what", "event", "after", "value", "recipe", "by", "reason"].entries()) {
        const cell = Draw.el("td", name === "value" ? "n" : "");
        cell.dataset.label = PAST[i];
        cell.append(name === "priority" ? Draw.tally(row.priority) : row[name]);
        line.append(cell);
      }
      body.append(line);
    }
    room.firstChild.append(reply.rows.length ? body : emptyBody("No alarm events in this period.", PAST.length));
    return room;
  }

  root.everymetreAlarms = {
    pending, merged, spans, turn,
    arrived: () => { memory.page = 0; memory.newest = null; },
    sent: (sent) => { memory.sent = sent || []; paint(); },
  };
  if (typeof module !== "undefined") module.exports = root.everymetreAlarms;
})(typeof window === "undefined" ? globalThis : window);
