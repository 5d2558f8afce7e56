// The steps of one case in their order: how long each took and who did it, beside
// the middle half of what it took others at the same count.
import { dot, rect, ruleX, text } from "@observablehq/plot";
import { acrossAxis, ink, label, plot } from "./surface.js";
import { count, length, plain, sentence } from "./words.js";

const rowHeight = 44;

// timelineDrawing draws GET /v1/cases/{case}/stage.
export function timelineDrawing({ data, width }) {
  const steps = data.steps.map((s, i) => ({ ...s, i, minutes: s.seconds == null ? null : s.seconds / 60 }));
  const timed = steps.filter((s) => s.minutes != null);
  if (timed.length === 0) return { nothing: "No step of this case has a time." };
  const others = steps.filter((s) => s.others).map((s) => ({ i: s.i, ...s.others }));
  const most = Math.max(...timed.map((s) => s.minutes), ...others.map((o) => o.upper_quartile / 60));
  const one = new Set(steps.map((s) => s.operator)).size === 1;
  const svg = plot({
    width,
    height: rowHeight * steps.length + 62,
    marginLeft: 8,
    marginRight: 12,
    marginTop: 20,
    marginBottom: 42,
    x: { domain: [0, most * 1.12] },
    y: { domain: [-0.5, steps.length - 0.5], reverse: true, axis: null },
    marks: [
      rect(others, { x1: (o) => o.lower_quartile / 60, x2: (o) => o.upper_quartile / 60, y1: (o) => o.i - 0.08, y2: (o) => o.i + 0.42, fill: ink.others, stroke: ink.othersEdge, className: "others" }),
      ruleX(others, { x: (o) => o.median / 60, y1: (o) => o.i - 0.08, y2: (o) => o.i + 0.42, stroke: ink.expected, strokeWidth: 2, strokeDasharray: "4 3" }),
      rect(timed, { x1: 0, x2: "minutes", y1: (s) => s.i + 0.04, y2: (s) => s.i + 0.3, fill: ink.observed, stroke: ink.paper, className: "step" }),
      dot(steps.filter((s) => s.handed_over_unplanned), { x: (s) => s.minutes ?? 0, y: (s) => s.i + 0.17, r: 7, symbol: "diamond", fill: ink.sign, stroke: ink.paper, className: "handed-over" }),
      text(steps, { x: 0, y: (s) => s.i - 0.26, text: (s) => rowWords(s, one, width), textAnchor: "start", fontSize: 12, ...label }),
      acrossAxis({ label: "Minutes", ticks: width < 480 ? 4 : 8 }),
    ],
  });
  const [x, y] = [svg.scale("x"), svg.scale("y")];
  const marks = steps.map((s) => ({
    key: `${s.i} ${s.step}`,
    x: x.apply(s.minutes ?? 0),
    y: y.apply(s.i + 0.17),
    label: sentence(plain(s.step)),
    words: stepWords(s),
    zone: { x: x.range[0], y: y.apply(s.i - 0.5), width: x.range[1] - x.range[0], height: y.apply(1) - y.apply(0) },
  }));
  return { hint: "Move along the steps with the up and down arrow keys.", parts: [{ svg, marks }], first: true };
}

function rowWords(s, one, width) {
  const parts = [sentence(plain(s.step))];
  if (!one) parts.push(s.operator);
  parts.push(s.seconds == null ? "time not known" : length(s.seconds));
  if (s.handed_over_unplanned && width >= 480) parts.push("handed over unplanned");
  return parts.join(", ");
}

function stepWords(s) {
  let words = `${sentence(plain(s.step))} by ${s.operator}: ${s.seconds == null ? "time not known" : length(s.seconds)}`;
  if (s.handed_over_unplanned) words += ", handed over unplanned";
  if (!s.others) return words + ". Others aren't shown.";
  const half = `the middle half of ${count(s.others.others, "other", "others")} at this count, ${length(s.others.lower_quartile)} to ${length(s.others.upper_quartile)}`;
  return `${words}; ${s.compared === "within" ? "within" : s.compared ? `${s.compared} than` : "beside"} ${half}.`;
}
