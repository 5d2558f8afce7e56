// The run chart of a cumulative sum: its value case by case, its line, where it
// crossed and where it began again; under it the events so far beside those expected.
import { dot, lineX, lineY, ruleX, ruleY, text } from "@observablehq/plot";
import { strips } from "./cursor.js";
import { chartOf } from "./source.js";
import { acrossAxis, expected, ink, label, limit, observed, plot, upAxis, wholeTicks } from "./surface.js";
import { count, day, decimal, percent, plain } from "./words.js";

const competence = "competence";

// What a case came to, by the outcome that a chart watches.
function outcomeWords(outcome, happened) {
  if (outcome.startsWith("step:")) return happened ? "handed over unplanned" : "not handed over unplanned";
  return (happened ? "" : "no ") + plain(outcome);
}

// layOut numbers the cases in their order and parts them where the chart begins
// again: a part starts from zero.
function layOut(chart) {
  const before = chart.earlier_cases_not_shown ?? 0;
  const settled = chart.cases.map((c) => ({ ...c, settled: true }));
  const cases = [...settled, ...(chart.provisional_cases ?? []).map((c) => ({ ...c, settled: false }))];
  let stretch = 0;
  const points = cases.map((c, i) => {
    if (c.restarted && i > 0) stretch++;
    return { ...c, at: before + i + 1, stretch };
  });
  const path = [];
  for (const [i, p] of points.entries()) {
    const begins = i === 0 ? before === 0 || p.restarted : points[i - 1].stretch !== p.stretch;
    if (begins) path.push({ at: p.at - 1, value: 0, stretch: p.stretch, settled: p.settled });
    path.push(p);
  }
  const crossings = points.filter((p, i) => p.crossed && (i === 0 || !points[i - 1].crossed || points[i - 1].stretch !== p.stretch));
  return { points, path, crossings, restarts: points.filter((p) => p.restarted && p.at > 1) };
}

// runDrawing draws one chart large.
export function runDrawing({ data, part, width, outcome }) {
  const chart = chartOf(data, part);
  if (!chart) return { nothing: "The chart isn't in the answer any more." };
  if (chart.cases.length + (chart.provisional_cases ?? []).length === 0) return { nothing: "No case stands on this chart yet." };
  const watched = chart.outcome ?? data.outcome ?? outcome ?? "";
  const narrow = width < 480;
  const upper = valuePlot(chart, width, narrow);
  const laid = layOut(chart);
  const threshold = chart.design.threshold;
  const x = upper.scale("x");
  const y = upper.scale("y");
  const marks = laid.points.map((p) => ({
    key: p.case,
    x: x.apply(p.at),
    y: y.apply(p.value),
    href: "/cases/" + encodeURIComponent(p.case),
    label: `Case ${p.case}`,
    words:
      `Case ${p.case}, ${day(p.started_at)}, case number ${p.case_number}: ${outcomeWords(watched, p.outcome === 1)}; expected ${percent(p.expected)}. ` +
      `Chart at ${decimal(p.value, 2)}, its line at ${decimal(threshold, 2)}.` +
      (p.crossed ? (chart.kind === competence ? " At the set line." : " At or over the line, for review.") : "") +
      (p.restarted ? " The chart begins again with this case." : "") +
      (p.settled ? "" : " May still change: follow-up is to come."),
  }));
  const [top, bottom] = [y.range[1], y.range[0]];
  return {
    hint: "Move along the cases with the left and right arrow keys; Enter opens a case.",
    parts: [{ svg: upper, marks: strips(marks, x.range[0], x.range[1], top, bottom) }, { svg: eventsPlot(laid, width, narrow), title: "Events so far on this chart, beside those expected" }],
  };
}

// smallRunDrawing is one of many, side by side.
export function smallRunDrawing({ data, part, width }) {
  const chart = chartOf(data, part);
  if (!chart) return { nothing: "The chart isn't in the answer any more." };
  if (chart.cases.length === 0) return { nothing: "No case stands on this chart yet." };
  return { parts: [{ svg: valuePlot(chart, Math.min(width, 360), true, true) }] };
}

function valuePlot(chart, width, narrow, small = false) {
  const { points, path, crossings, restarts } = layOut(chart);
  const threshold = chart.design.threshold;
  const values = points.map((p) => p.value);
  const [first, last] = [points[0].at - 1, points.at(-1).at];
  const high = Math.max(threshold * 1.18, ...values) + (small ? 0 : 0.06 * threshold);
  const reached = chart.kind === competence ? "reached" : "crossed";
  const provisional = path.filter((p) => !p.settled);
  const joined = provisional.length > 0 && path.some((p) => p.settled) ? [path.filter((p) => p.settled).at(-1), ...provisional] : provisional;
  const size = small ? 10 : 12;
  // The line is named at the end at which the chart leaves it room.
  const full = (some) => some.some((p) => p.value > 0.75 * threshold);
  const atStart = full(points.filter((p) => p.at > last - 0.3 * (last - first))) && !full(points.filter((p) => p.at < first + 0.3 * (last - first)));
  const marks = [
    ruleY([0], { stroke: ink.rule }),
    ruleY([threshold], limit),
    text([threshold], { x: atStart ? first : last, y: threshold, text: [`${chart.kind === competence ? "set line" : "line"} ${decimal(threshold, 2)}`], textAnchor: atStart ? "start" : "end", dy: -8, fontSize: size, ...label }),
    lineY(path.filter((p) => p.settled), { x: "at", y: "value", z: "stretch", ...observed }),
    lineY(joined, { x: "at", y: "value", z: "stretch", stroke: ink.observed, strokeWidth: 1 }),
    ruleX(restarts, { x: (p) => p.at - 1, stroke: ink.limit, strokeWidth: 1 }),
    dot(points.filter((p) => p.outcome === 1), { x: "at", y: "value", r: small ? 2 : 3.5, fill: (p) => (p.settled ? ink.observed : ink.paper), stroke: ink.observed, className: "event" }),
    dot(crossings, { x: "at", y: "value", r: small ? 5 : 7, symbol: "diamond", fill: ink.sign, stroke: ink.paper, className: "crossing" }),
  ];
  if (small) {
    marks.push(text([points.at(-1)], { x: "at", y: "value", text: (p) => decimal(p.value, 2), dy: 12, textAnchor: "end", fontSize: size, ...label }));
    if (crossings.length > 0) marks.push(text([crossings[0]], { x: "at", y: "value", text: () => reached, dy: -12, textAnchor: anchorAt(crossings[0].at, first, last), fontSize: size, ...label }));
    return plot({ width, height: 110, marginTop: 14, marginRight: 6, marginBottom: 16, marginLeft: 6, x: { domain: [first, last], axis: null }, y: { domain: [Math.min(0, ...values), high], axis: null }, marks });
  }
  marks.push(
    acrossAxis({ label: "Cases on this chart, in the order of operation", ticks: wholeTicks(first, last, narrow ? 5 : 10), tickFormat: (t) => String(t) }),
    upAxis({ label: "Value of the chart", ticks: 5 }),
    text(crossings, { x: "at", y: "value", text: (p) => `${reached} at case ${p.at}`, dy: -14, textAnchor: (p) => anchorAt(p.at, first, last), fontSize: 12, fontWeight: 600, ...label }),
    text(restarts, { x: (p) => p.at - 1, frameAnchor: "top", text: () => "begins again", dx: 4, textAnchor: "start", fontSize: 12, ...label }),
  );
  if (provisional.length > 0) marks.push(text([provisional.at(-1)], { x: "at", y: "value", text: () => "may still change", dy: 14, textAnchor: "end", fontSize: 12, ...label }));
  return plot({ width, height: narrow ? 260 : 320, marginLeft: 44, marginRight: 14, marginTop: 28, marginBottom: 40, x: { domain: [first, last] }, y: { domain: [Math.min(0, ...values), high] }, marks });
}

function anchorAt(at, first, last) {
  const share = (at - first) / Math.max(1, last - first);
  return share < 0.2 ? "start" : share > 0.8 ? "end" : "middle";
}

function eventsPlot({ points }, width, narrow) {
  const [first, last] = [points[0].at - 1, points.at(-1).at];
  const end = points.at(-1);
  const above = end.observed >= end.sum_expected;
  const high = Math.max(1, end.observed, end.sum_expected) * 1.25;
  const low = Math.min(points[0].observed - points[0].outcome, points[0].sum_expected - points[0].expected);
  return plot({
    width,
    height: narrow ? 150 : 170,
    marginLeft: 44,
    marginRight: 14,
    marginTop: 24,
    marginBottom: 40,
    x: { domain: [first, last] },
    y: { domain: [Math.max(0, low), high] },
    marks: [
      ruleY([0].filter(() => low <= 0), { stroke: ink.rule }),
      lineX(points, { y: "observed", x: "at", curve: "step-before", ...observed }),
      lineY(points, { x: "at", y: "sum_expected", ...expected }),
      text([end], { x: "at", y: "observed", text: (p) => `observed: ${count(p.observed, "event", "events")}`, textAnchor: "end", dy: above ? -8 : 10, fontSize: 12, ...label }),
      text([end], { x: "at", y: "sum_expected", text: (p) => `expected: ${decimal(p.sum_expected, 1)}`, textAnchor: "end", dy: above ? 10 : -8, fontSize: 12, ...label }),
      acrossAxis({ label: null, ticks: wholeTicks(first, last, narrow ? 5 : 10), tickFormat: (t) => String(t) }),
      upAxis({ label: "Events", ticks: 4, tickFormat: (t) => (Number.isInteger(t) ? String(t) : "") }),
    ],
  });
}
