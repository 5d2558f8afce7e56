// The times of a step by case number: one's own middle half and median, beside the
// middle half of others at the same count. Times are information: no target.
import { dot, line, rect, ruleX, text } from "@observablehq/plot";
import { acrossAxis, expected, ink, label, observed, plot, upAxis } from "./surface.js";
import { caseRange, count, length, plain, sentence } from "./words.js";

// stepDrawing draws GET /v1/surgeons/{surgeon}/progress: one step that is named
// behind #, or all of them, each small.
export function stepDrawing({ data, part, width }) {
  const peers = data.peers?.bands ?? [];
  const steps = data.steps.filter((s) => (part ? s.step === part : true) && s.times.bands.length > 0);
  if (steps.length === 0) return { nothing: "No time is recorded yet." };
  const each = part ? Math.min(width, 640) : Math.min(width, 330);
  return {
    hint: "Move along the case numbers with the left and right arrow keys.",
    many: !part,
    parts: steps.map((s) => ({ ...stepPlot(s, peers.filter((p) => p.step === s.step && !p.hidden), each), title: sentence(plain(s.step)) })),
  };
}

function stepPlot(step, peers, width) {
  const own = step.times.bands.map((b, i) => ({ ...b, i, name: caseRange(b), lower: b.percentiles[0] / 60, median: b.percentiles[1] / 60, upper: b.percentiles[2] / 60 }));
  const others = own.flatMap((b) => {
    const p = peers.find((q) => q.first_case === b.first_case && q.last_case === b.last_case);
    return p ? [{ i: b.i, others: p.others, lower: p.lower_quartile_seconds / 60, median: p.median_seconds / 60, upper: p.upper_quartile_seconds / 60 }] : [];
  });
  const high = Math.max(...own.map((b) => b.upper), ...others.map((o) => o.upper)) * 1.2;
  const many = own.length > 5;
  const svg = plot({
    width,
    height: 210,
    marginLeft: 40,
    marginRight: 10,
    marginTop: 24,
    marginBottom: 40,
    x: { domain: [-0.6, own.length - 0.4] },
    y: { domain: [0, high] },
    marks: [
      rect(others, { x1: (o) => o.i - 0.36, x2: (o) => o.i + 0.36, y1: "lower", y2: "upper", fill: ink.others, stroke: ink.othersEdge, className: "others" }),
      line(others.flatMap((o) => [[o.i - 0.36, o.median, o.i], [o.i + 0.36, o.median, o.i]]), { x: "0", y: "1", z: "2", ...expected }),
      ruleX(own, { x: "i", y1: "lower", y2: "upper", ...observed }),
      line(own, { x: "i", y: "median", ...observed }),
      dot(own, { x: "i", y: "median", r: 4, fill: ink.observed, stroke: ink.paper, className: "own" }),
      text(others.slice(0, 1), { x: (o) => o.i - 0.36, y: "upper", text: ["others"], dy: -8, textAnchor: "start", fontSize: 11, ...label }),
      acrossAxis({ label: "Case numbers", ticks: own.map((b) => b.i), tickFormat: (i) => (many && i % 2 ? "" : own[i].name.replace(" to ", "\u2013")), fontSize: 10 }),
      upAxis({ label: "Minutes", ticks: 4 }),
    ],
  });
  const [x, y] = [svg.scale("x"), svg.scale("y")];
  const marks = own.map((b) => {
    const other = others.find((o) => o.i === b.i);
    return {
      key: `${step.step} ${b.first_case}`,
      x: x.apply(b.i),
      y: y.apply(b.median),
      label: `Cases ${b.name}`,
      words:
        `${sentence(plain(step.step))}, cases ${b.name}: ${b.n === 1 ? `one time, ${length(60 * b.median)}` : `${count(b.n, "time", "times")}, middle half ${length(60 * b.lower)} to ${length(60 * b.upper)}, median ${length(60 * b.median)}`}. ` +
        (other ? `Middle half of ${count(other.others, "other", "others")}: ${length(60 * other.lower)} to ${length(60 * other.upper)}.` : "Others aren't shown: fewer than five did the step at that count, or none are kept so late."),
      zone: { x: x.apply(b.i - 0.5), y: y.range[1], width: x.apply(1) - x.apply(0), height: y.range[0] - y.range[1] },
    };
  });
  return { svg, marks };
}
