// What the drawings have in common: their colours, which the stylesheet gives, their
// text, and how a plot comes into the page.
import { axisX, axisY, plot as plotOf } from "@observablehq/plot";

const svgNamespace = "http://www.w3.org/2000/svg";

export const ink = {
  observed: "var(--chart-observed)",
  expected: "var(--chart-expected)",
  limit: "var(--chart-limit)",
  sign: "var(--chart-sign)",
  others: "var(--chart-others)",
  othersEdge: "var(--chart-others-edge)",
  text: "var(--chart-text)",
  rule: "var(--chart-rule)",
  paper: "var(--paper)",
};

// One way of drawing for one meaning, on every chart.
export const observed = { stroke: ink.observed, strokeWidth: 2 };
export const expected = { stroke: ink.expected, strokeWidth: 2, strokeDasharray: "7 4" };
export const limit = { stroke: ink.limit, strokeWidth: 2, strokeDasharray: "1 4", strokeLinecap: "round" };
export const label = { fill: ink.text, stroke: ink.paper, strokeWidth: 4, paintOrder: "stroke" };

// plot makes a plot without the style element of the library, which the content
// security policy refuses: its rules stand in the stylesheet.
export function plot(options) {
  const svg = plotOf({ className: "plot", ...options });
  for (const style of svg.querySelectorAll("style")) style.remove();
  for (const part of svg.children) part.setAttribute("aria-hidden", "true");
  return svg;
}

const ticks = { tickSize: 4, fill: ink.text, stroke: ink.rule };

// acrossAxis and upAxis are the axes; the label says what is counted and in what.
export function acrossAxis(options) {
  return axisX({ ...ticks, labelAnchor: "center", labelArrow: "none", ...options });
}

export function upAxis(options) {
  return axisY({ ...ticks, labelAnchor: "top", labelArrow: "none", ...options });
}

// wholeTicks are round numbers of an axis that counts, ends included in its range.
export function wholeTicks(from, to, most) {
  const span = Math.max(1, to - from);
  const rough = span / most;
  const power = 10 ** Math.floor(Math.log10(Math.max(rough, 1)));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough) ?? 10 * power;
  const out = [];
  for (let at = Math.ceil(from / step) * step; at <= to; at += step) out.push(at);
  return out;
}

// element makes one of SVG.
export function element(name, attributes = {}) {
  const made = document.createElementNS(svgNamespace, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  return made;
}
