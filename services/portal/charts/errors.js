// The prediction errors of a group of eyes, counted by classes of a quarter dioptre,
// with the bands of 0.50 and 1.00 D.
import { rect, ruleX, ruleY, text } from "@observablehq/plot";
import { acrossAxis, ink, label, limit, plot, upAxis, wholeTicks } from "./surface.js";
import { count, decimal, percent, signed } from "./words.js";

// errorDrawing draws the classes of GET /v1/departments/{department}/benchmarks, or
// of any answer that has them under refraction or at its top.
export function errorDrawing({ data, part, width }) {
  let group = data.refraction ?? data.prediction_error ?? data;
  if (part) group = group[part] ?? group;
  const classes = group.error_classes;
  if (!classes || classes.length === 0) return { nothing: `Too few eyes to draw them (${group.n ?? 0}).` };
  const edge = Math.max(...classes.flatMap((c) => [Math.abs(c.from_d ?? 0), Math.abs(c.to_d ?? 0)])) + classWidth;
  const bars = classes.map((c) => ({ ...c, left: c.from_d ?? -edge, right: c.to_d ?? edge }));
  const high = Math.max(1, ...bars.map((b) => b.count)) * 1.3;
  const narrow = width < 480;
  const bands = [
    { half: 0.5, share: group.within_0_50_d, level: 0.99 },
    { half: 1, share: group.within_1_00_d, level: 0.91 },
  ];
  const svg = plot({
    width,
    height: narrow ? 260 : 300,
    marginLeft: 44,
    marginRight: 12,
    marginTop: 26,
    marginBottom: 42,
    x: { domain: [-edge, edge] },
    y: { domain: [0, high] },
    marks: [
      ...bands.map((b) => rect([b], { x1: -b.half, x2: b.half, y1: 0, y2: high, fill: ink.others, fillOpacity: 0.5 })),
      rect(bars, { x1: "left", x2: "right", y1: 0, y2: "count", fill: ink.observed, stroke: ink.paper, insetLeft: 0.5, insetRight: 0.5, className: "bar" }),
      ruleX([-1, -0.5, 0.5, 1], limit),
      ruleY([0], { stroke: ink.rule }),
      text(bands, { x: 0, y: (b) => high * b.level, text: (b) => `within ±${decimal(b.half, 2)} D: ${b.share.count} of ${b.share.n}` + (narrow || b.share.share == null ? "" : ` (${percent(b.share.share)})`), fontSize: 12, fontWeight: 600, ...label }),
      acrossAxis({ label: "Prediction error in dioptres; less than 0 is more myopic than predicted", ticks: narrow ? [-2, -1, 0, 1, 2] : [-2, -1.5, -1, -0.5, 0, 0.5, 1, 1.5, 2], tickFormat: (t) => signed(t, narrow ? 0 : 1), ...(narrow ? { label: "Prediction error in dioptres" } : {}) }),
      upAxis({ label: "Eyes", ticks: wholeTicks(0, high, 5), tickFormat: (t) => String(t) }),
    ],
  });
  const [x, y] = [svg.scale("x"), svg.scale("y")];
  const marks = bars.map((b, i) => ({
    key: String(i),
    x: x.apply((b.left + b.right) / 2),
    y: y.apply(b.count),
    label: rangeWords(b),
    words: `${rangeWords(b)}: ${count(b.count, "eye", "eyes")}.`,
    zone: { x: x.apply(b.left), y: y.range[1], width: x.apply(b.right) - x.apply(b.left), height: y.range[0] - y.range[1] },
  }));
  return { hint: "Move along the classes with the left and right arrow keys.", parts: [{ svg, marks }] };
}

const classWidth = 0.25;

function rangeWords(c) {
  if (c.from_d == null) return `below ${signed(c.to_d, 2)} D`;
  if (c.to_d == null) return `above ${signed(c.from_d, 2)} D`;
  return `${signed(c.from_d, 2)} to ${signed(c.to_d, 2)} D`;
}
