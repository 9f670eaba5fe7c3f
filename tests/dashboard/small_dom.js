// As much of a browser's document as our scripts use, for node: elements, texts, attributes, and simple selectors.
"use strict";

class Text {
  constructor(text) { this.textContent = text; this.parentNode = null; }
  remove() { detach(this); }
}

function detach(node) {
  const parent = node.parentNode;
  if (parent) parent.childNodes.splice(parent.childNodes.indexOf(node), 1);
  node.parentNode = null;
}

const dashed = (name) => "data-" + name.replace(/[A-Z]/g, (letter) => "-" + letter.toLowerCase());

class Element {
  constructor(tag, page) {
    this.tagName = tag.toUpperCase();
    this.page = page;
    this.parentNode = null;
    this.childNodes = [];
    this.attributes = {};
    this.listeners = {};
    this.style = {};
    this.dataset = new Proxy(this.attributes, {
      get: (all, name) => all[dashed(name)],
      set: (all, name, value) => { all[dashed(name)] = String(value); return true; },
      deleteProperty: (all, name) => delete all[dashed(name)],
    });
    this.classList = {
      toggle: (name, on) => {
        const rest = this.className.split(" ").filter((one) => one && one !== name);
        this.className = (on ? [...rest, name] : rest).join(" ");
      },
      contains: (name) => this.className.split(" ").includes(name),
    };
  }

  get className() { return this.attributes.class || ""; }
  set className(value) { this.attributes.class = value; }
  get id() { return this.attributes.id || ""; }
  set id(value) { this.attributes.id = value; }
  get href() { return this.attributes.href; }
  set href(value) { this.attributes.href = value; }
  setAttribute(name, value) { this.attributes[name] = String(value); }
  getAttribute(name) { return name in this.attributes ? this.attributes[name] : null; }
  removeAttribute(name) { delete this.attributes[name]; }

  get textContent() { return this.childNodes.map((one) => one.textContent).join(""); }
  set textContent(text) { this.replaceChildren(...(text === "" ? [] : [text])); }
  get children() { return this.childNodes.filter((one) => one instanceof Element); }
  get firstChild() { return this.childNodes[0] || null; }
  get lastChild() { return this.childNodes[this.childNodes.length - 1] || null; }
  get firstElementChild() { return this.children[0] || null; }
  get nextSibling() {
    const all = this.parentNode.childNodes;
    return all[all.indexOf(this) + 1] || null;
  }
  get tHead() { return this.children.find((one) => one.tagName === "THEAD") || null; }
  get tBodies() { return this.children.filter((one) => one.tagName === "TBODY"); }

  insert(place, nodes) {
    const made = nodes.map((one) => (typeof one === "object" ? one : new Text(String(one))));
    for (const one of made) { detach(one); one.parentNode = this; }
    this.childNodes.splice(place, 0, ...made);
  }
  append(...nodes) { this.insert(this.childNodes.length, nodes); }
  appendChild(node) { this.append(node); return node; }
  after(...nodes) {
    for (const one of nodes) detach(one);
    this.parentNode.insert(this.parentNode.childNodes.indexOf(this) + 1, nodes);
  }
  replaceWith(...nodes) { this.after(...nodes); detach(this); }
  replaceChildren(...nodes) {
    for (const one of [...this.childNodes]) detach(one);
    this.append(...nodes);
  }
  remove() { detach(this); }
  contains(node) { return node === this || this.children.some((one) => one.contains(node)); }

  all() { return this.children.flatMap((one) => [one, ...one.all()]); }
  matches(selector) { return selector.split(",").some((one) => this.fits(one.trim().split(/\s+/))); }
  fits(path) {
    if (!this.is(path[path.length - 1])) return false;
    if (path.length === 1) return true;
    for (let up = this.parentNode; up; up = up.parentNode) if (up.fits(path.slice(0, -1))) return true;
    return false;
  }
  is(simple) {
    return simple.match(/[#.]?[\w-]+|\[[^\]]+\]/g).every((part) => {
      if (part[0] === "#") return this.id === part.slice(1);
      if (part[0] === ".") return this.classList.contains(part.slice(1));
      if (part[0] !== "[") return this.tagName === part.toUpperCase();
      const [name, value] = part.slice(1, -1).split("=");
      return name in this.attributes && (value === undefined || this.attributes[name] === value.replace(/"/g, ""));
    });
  }
  querySelectorAll(selector) { return this.all().filter((one) => one.matches(selector)); }
  querySelector(selector) { return this.querySelectorAll(selector)[0] || null; }
  closest(selector) {
    for (let up = this; up; up = up.parentNode) if (up.matches(selector)) return up;
    return null;
  }

  addEventListener(name, act) { (this.listeners[name] = this.listeners[name] || []).push(act); }
  dispatch(name, event) {
    const given = { target: this, defaultPrevented: false, preventDefault() { given.defaultPrevented = true; }, ...event };
    for (let up = this; up; up = up.parentNode) for (const act of up.listeners[name] || []) act(given);
    for (const act of this.page.listeners[name] || []) act(given);
    return given;
  }
  click() { return this.dispatch("click"); }
  focus() { this.page.activeElement = this; }
}

// A document with a body that holds what `build(el)` returns; `el(tag, attributes, ...children)` makes an element.
function documentWith(build) {
  const page = { listeners: {}, title: "", activeElement: null };
  page.createElement = (tag) => new Element(tag, page);
  const el = (tag, attributes = {}, ...children) => {
    const made = page.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    made.append(...children);
    return made;
  };
  page.documentElement = el("html");
  page.body = el("body", {}, ...build(el));
  page.documentElement.append(page.body);
  page.querySelector = (selector) => page.documentElement.querySelector(selector);
  page.querySelectorAll = (selector) => page.documentElement.querySelectorAll(selector);
  page.getElementById = (id) => page.documentElement.all().find((one) => one.id === id) || null;
  page.addEventListener = (name, act) => (page.listeners[name] = page.listeners[name] || []).push(act);
  return page;
}

module.exports = { documentWith };
