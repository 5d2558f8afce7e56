// merge brings an element into the state of a fresh one and leaves alone what is the
// same: focus, scroll, open details and drawings stay where they are.
//
// What a script made stays: an element with data-made is nobody else's, and one with
// data-keep keeps all that is in it. What somebody typed stays too.
import { isChanged } from "./typed.js";

export function merge(old, fresh) {
  mergeAttributes(old, fresh);
  const before = [...old.childNodes].filter((node) => !isMade(node));
  const keyed = new Map();
  for (const node of before) {
    const key = keyOf(node);
    if (key && !keyed.has(key)) keyed.set(key, node);
  }
  const used = new Set();
  let at = 0;
  let place = firstOf(old);
  for (const next of fresh.childNodes) {
    let match = keyed.get(keyOf(next));
    if (!match || used.has(match)) {
      while (at < before.length && (used.has(before[at]) || keyOf(before[at]))) at++;
      match = keyOf(next) || at >= before.length || !isAlike(before[at], next) ? undefined : before[at];
    }
    if (match) {
      used.add(match);
      if (match !== place) old.insertBefore(match, place);
      if (match.nodeType !== Node.ELEMENT_NODE) {
        if (match.data !== next.data) match.data = next.data;
      } else if (!match.hasAttribute("data-keep")) merge(match, next);
      place = after(match);
    } else old.insertBefore(document.importNode(next, true), place);
  }
  for (const node of before) if (!used.has(node)) node.remove();
}

function isMade(node) {
  return node.nodeType === Node.ELEMENT_NODE && node.hasAttribute("data-made");
}

// firstOf and after skip what a script made, so that it keeps its place.
function firstOf(parent) {
  let node = parent.firstChild;
  while (node && isMade(node)) node = node.nextSibling;
  return node;
}

function after(node) {
  let next = node.nextSibling;
  while (next && isMade(next)) next = next.nextSibling;
  return next;
}

// keyOf tells rows and parts from their neighbours, wherever they have moved.
function keyOf(node) {
  if (node.nodeType !== Node.ELEMENT_NODE) return "";
  if (node.id && !node.id.startsWith("finding-")) return node.localName + "#" + node.id;
  if (node.matches("figure[data-source]")) return "figure " + node.dataset.drawing + " " + node.dataset.source;
  if (node.matches("tr, li, article")) {
    const to = node.querySelector("a[href]");
    if (to) return node.localName + " " + to.getAttribute("href");
  }
  return "";
}

function isAlike(a, b) {
  return a.nodeType === b.nodeType && a.nodeName === b.nodeName;
}

// Attributes that the page's reader, or a script, sets.
const theirs = new Set(["open", "data-state", "data-key"]);

function mergeAttributes(old, fresh) {
  if (old.matches("input, textarea, select, option") && isTyped(old)) return;
  for (const { name } of [...old.attributes]) if (!fresh.hasAttribute(name) && !theirs.has(name) && !isNamedByScript(old, name)) old.removeAttribute(name);
  for (const { name, value } of [...fresh.attributes]) if (!theirs.has(name) && old.getAttribute(name) !== value) old.setAttribute(name, value);
}

function isTyped(field) {
  return field instanceof HTMLOptionElement ? isChanged(field.closest("select") ?? field) : isChanged(field);
}

function isNamedByScript(node, name) {
  return name === "id" && node.localName === "figcaption";
}
