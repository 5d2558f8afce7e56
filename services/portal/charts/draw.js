// Draws the figures of a page from the API's own answers. A figure has its finding in
// words and its table without this; what fails here takes nothing away.
import { angleDrawing } from "./angle.js";
import { addCursor } from "./cursor.js";
import { errorDrawing } from "./errors.js";
import { funnelDrawing } from "./funnel.js";
import { runDrawing, smallRunDrawing } from "./run.js";
import { forget, read } from "./source.js";
import { stepDrawing } from "./steps.js";
import { timelineDrawing } from "./timeline.js";

const kinds = {
  run: runDrawing,
  "small-run": smallRunDrawing,
  funnel: funnelDrawing,
  "double-angle": angleDrawing,
  "error-histogram": errorDrawing,
  "step-times": stepDrawing,
  timeline: timelineDrawing,
};

const drawn = new WeakMap(); // figure -> what it was drawn from
let named = 0;

// draw reads what a figure shows and draws it, once.
export async function draw(figure) {
  const kind = kinds[figure.dataset.drawing];
  if (!kind) return fail(figure, `this page doesn't know how to draw “${figure.dataset.drawing}”`);
  figure.dataset.state = "reading";
  try {
    const answer = await read(figure.dataset.source);
    drawn.set(figure, { kind, answer, width: 0 });
    place(figure);
  } catch (error) {
    fail(figure, error.message);
  }
}

// redraw draws a page's figures again after a change, keeping each until its new
// drawing is there.
export function redraw(figures) {
  forget();
  return Promise.all([...figures].filter((f) => f.dataset.state).map(draw));
}

function place(figure) {
  const was = drawn.get(figure);
  const box = surface(figure);
  const width = Math.floor(box.clientWidth || figure.clientWidth || 640);
  was.width = width;
  const made = was.kind({ ...was.answer, width, outcome: figure.dataset.outcome });
  const focused = box.contains(document.activeElement) ? document.activeElement.dataset?.key : undefined;
  const at = focused ?? box.querySelector('[data-key][tabindex="0"]')?.dataset.key;
  if (made.nothing) {
    box.replaceChildren(paragraph("nothing", made.nothing));
    figure.dataset.state = "drawn";
    return;
  }
  const caption = figure.querySelector("figcaption");
  if (!caption.id) caption.id = `finding-${++named}`;
  const readout = made.hint ? paragraph("readout", made.hint) : null;
  const parts = document.createElement("div");
  parts.className = made.many ? "parts many" : "parts";
  for (const part of made.parts) parts.append(panel(part, caption.id, readout, made.first && !at ? part.marks[0]?.key : at));
  if (readout) {
    // A visible line says what the cursor is on; it is read out when it rests.
    readout.setAttribute("aria-live", "polite");
    parts.append(readout);
  }
  box.replaceChildren(parts);
  figure.dataset.state = "drawn";
  if (focused) box.querySelector(`[data-key="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
}

function panel(part, captionID, readout, at) {
  const box = document.createElement("div");
  box.className = "panel";
  const names = [captionID];
  if (part.title) {
    const title = paragraph("title", part.title);
    title.id = `finding-${++named}`;
    names.push(title.id);
    box.append(title);
  }
  const { svg, marks } = part;
  svg.setAttribute("role", marks ? "group" : "img");
  svg.setAttribute("aria-labelledby", names.join(" "));
  if (marks) addCursor(svg, marks, (words) => (readout.textContent = words), at);
  box.append(svg);
  return box;
}

function surface(figure) {
  let box = figure.querySelector(":scope > .drawn");
  if (!box) {
    box = document.createElement("div");
    box.className = "drawn";
    box.dataset.made = ""; // of the script: a refresh of the page leaves it alone
    figure.querySelector("figcaption").after(box);
    new ResizeObserver(() => {
      const was = drawn.get(figure);
      if (was && Math.abs(box.clientWidth - was.width) > 8 && !matchMedia("print").matches) place(figure);
    }).observe(box);
  }
  return box;
}

function fail(figure, reason) {
  surface(figure).replaceChildren(paragraph("nothing", `This chart couldn't be drawn: ${reason}. ${figure.querySelector("table") ? "The words and the table say the same." : "The words above say what it shows."}`));
  figure.dataset.state = "failed";
}

function paragraph(name, text) {
  const p = document.createElement("p");
  p.className = name;
  p.textContent = text;
  return p;
}
