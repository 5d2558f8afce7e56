// The script of every page: draws its figures when they come into view, and keeps a
// page of now in step with the record. Without it a page is whole, and as of then.
import { keepLive } from "./live.js";

const script = document.querySelector("script[data-charts]");
let charts; // the drawing script, once it is wanted

// Others draw, or look at, what a page holds: they hear when it was refreshed.
export function drawFigures() {
  for (const figure of document.querySelectorAll("figure[data-drawing]:not([data-state])")) {
    figure.dataset.state = "";
    seen.observe(figure);
  }
  whenIdle();
}

async function drawOne(figure) {
  seen.unobserve(figure);
  if (figure.dataset.state) return;
  try {
    charts ??= import(script.dataset.charts);
    await (await charts).draw(figure);
  } catch {
    charts = undefined;
    figure.dataset.state = "failed";
  }
}

const seen = new IntersectionObserver(
  (entries) => {
    for (const entry of entries) if (entry.isIntersecting) drawOne(entry.target);
  },
  { rootMargin: "400px" },
);

// What nobody has scrolled to is drawn when there is nothing else to do, so that a
// printed page has it too.
function whenIdle() {
  const later = globalThis.requestIdleCallback ?? ((f) => setTimeout(f, 500));
  later(async () => {
    for (const figure of document.querySelectorAll('figure[data-state=""]')) await drawOne(figure);
  });
}

addEventListener("beforeprint", () => {
  for (const figure of document.querySelectorAll('figure[data-state=""]')) drawOne(figure);
});

drawFigures();
keepLive(async () => {
  drawFigures();
  if (charts) await (await charts).redraw(document.querySelectorAll("figure[data-drawing]"));
});
