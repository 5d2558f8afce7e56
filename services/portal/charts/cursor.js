// The cursor of a drawing: one stop of the tab key, moved by the arrow keys, that
// says in a visible line what it stands on. A mark with an address is a link.
import { element } from "./surface.js";

const moves = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageDown: 10, PageUp: -10 };

// addCursor puts marks {key, x, y, label, words, href?, zone: {x, y, width, height}}
// over a plot. say shows the words of the one that is looked at; at is the key of
// the mark that the cursor begins on, the last one without.
export function addCursor(svg, marks, say, at) {
  if (marks.length === 0) return;
  const layer = element("g", { class: "marks" });
  const made = marks.map((mark) => {
    const one = element(mark.href ? "a" : "g", { "aria-label": mark.label, tabindex: "-1", "data-key": mark.key });
    if (mark.href) one.setAttribute("href", mark.href);
    else one.setAttribute("role", "img");
    one.append(element("rect", { class: "zone", ...mark.zone }), element("circle", { class: "ring", cx: mark.x, cy: mark.y, r: 9 }));
    layer.append(one);
    return one;
  });
  let now = marks.findIndex((m) => m.key === at);
  if (now < 0) now = marks.length - 1;
  made[now].setAttribute("tabindex", "0");
  const move = (to) => {
    made[now].setAttribute("tabindex", "-1");
    now = Math.max(0, Math.min(marks.length - 1, to));
    made[now].setAttribute("tabindex", "0");
  };
  layer.addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const to = event.key === "Home" ? 0 : event.key === "End" ? marks.length - 1 : event.key in moves ? now + moves[event.key] : -1;
    if (to < 0 && !(event.key in moves)) return;
    event.preventDefault();
    move(to);
    made[now].focus();
  });
  const lookAt = (event) => {
    const i = made.indexOf(event.target.closest("[data-key]"));
    if (i < 0) return;
    if (event.type === "focusin") move(i);
    say(marks[i].words);
  };
  layer.addEventListener("focusin", lookAt);
  layer.addEventListener("pointerover", lookAt);
  svg.append(layer);
}

// strips give each mark of a row the strip nearest to it, from edge to edge.
export function strips(marks, left, right, top, bottom) {
  return marks.map((mark, i) => {
    const from = i === 0 ? left : (marks[i - 1].x + mark.x) / 2;
    const to = i === marks.length - 1 ? right : (mark.x + marks[i + 1].x) / 2;
    return { ...mark, zone: { x: from, y: top, width: Math.max(to - from, 0.5), height: bottom - top } };
  });
}

// spots give each mark a square of 24 pixels around it.
export function spots(marks) {
  return marks.map((mark) => ({ ...mark, zone: { x: mark.x - 12, y: mark.y - 12, width: 24, height: 24 } }));
}
