// The funnel: units by their number of cases and their rate, between limits that
// narrow as the cases grow. It ranks nobody.
import { dot, lineY, ruleY, text } from "@observablehq/plot";
import { spots } from "./cursor.js";
import { acrossAxis, element, expected, ink, label, limit, plot, upAxis } from "./surface.js";
import { percent, sentence } from "./words.js";

// funnelDrawing draws GET /v1/funnels/{outcome}.
export function funnelDrawing({ data, width }) {
  const funnel = data.funnel;
  if (!funnel) return { nothing: `There is no funnel to draw: ${data.why || "no unit has enough cases"}.` };
  const curve = funnel.curve ?? [];
  const narrow = width < 480;
  const units = funnel.points.map((p) => ({ ...p, outside: placeOf(p) }));
  const most = Math.max(...units.map((u) => u.n), ...curve.map((c) => c.n));
  const high = Math.max(...units.map((u) => u.rate), ...curve.slice(0, 1).map((c) => c.upper_99_8), funnel.target) * 1.08;
  const ends = [
    { key: "lower_95", words: "95 %" }, { key: "upper_95", words: "95 %" },
    { key: "lower_99_8", words: "99.8 %" }, { key: "upper_99_8", words: "99.8 %" },
  ];
  const wide = { ...limit, strokeDasharray: "1 7" };
  const last = curve.at(-1);
  const svg = plot({
    width,
    height: narrow ? 300 : 400,
    marginLeft: 48,
    marginRight: 52,
    marginTop: 28,
    marginBottom: 42,
    x: { domain: [0, most * 1.04] },
    y: { domain: [0, high] },
    marks: [
      ruleY([funnel.target], expected),
      text([funnel.target], { x: 0, y: funnel.target, text: [`${data.target_rule === "pooled" ? "all units together" : "expected"} ${percent(funnel.target)}`], dx: 4, dy: -8, textAnchor: "start", fontSize: 12, ...label }),
      ...ends.map((e) => lineY(curve, { x: "n", y: e.key, ...(e.words === "95 %" ? limit : wide), className: "limit" })),
      ...(last ? ends.filter((e) => e.key.startsWith("upper") || last[e.key] > 0).map((e) => text([last], { x: "n", y: e.key, text: [e.words], dx: 5, textAnchor: "start", fontSize: 11, ...label })) : []),
      dot(units.filter((u) => !u.outside), { x: "n", y: "rate", r: 4.5, fill: ink.observed, stroke: ink.paper, className: "unit" }),
      dot(units.filter((u) => u.outside), { x: "n", y: "rate", r: 7, symbol: "diamond", fill: ink.sign, stroke: ink.paper, className: "unit" }),
      acrossAxis({ label: "Cases", ticks: narrow ? 4 : 8 }),
      upAxis({ label: "Events of cases", ticks: 5, tickFormat: (t) => percent(t) }),
    ],
  });
  const [x, y] = [svg.scale("x"), svg.scale("y")];
  const placed = units.map((u) => ({ ...u, x: x.apply(u.n), y: y.apply(u.rate) }));
  addNames(svg, placed, width);
  const marks = placed.map((u) => ({
    key: u.code,
    x: u.x,
    y: u.y,
    label: u.code,
    words:
      `${u.code}: ${u.events} of ${u.n} (${percent(u.rate)}). ` +
      `95 % limits ${percent(u.limits_95.lower)} to ${percent(u.limits_95.upper)}, 99.8 % limits ${percent(u.limits_99_8.lower)} to ${percent(u.limits_99_8.upper)}. ` +
      (u.outside ? `${sentence(u.outside)}: a reason to look at the cases, no verdict.` : "Inside the limits."),
  }));
  return { hint: "Move along the units, in the order of their codes, with the left and right arrow keys.", parts: [{ svg, marks: spots(marks) }], first: true };
}

function placeOf(p) {
  if (p.position_99_8 !== "inside") return `${p.position_99_8} the 99.8 % limits`;
  if (p.position_95 !== "inside") return `${p.position_95} the 95 % limits`;
  return "";
}

// addNames writes each unit's code where it covers no other; one without room is
// read by the cursor.
function addNames(svg, units, width) {
  const taken = units.map((u) => ({ left: u.x - 6, right: u.x + 6, top: u.y - 6, bottom: u.y + 6, of: u }));
  const layer = element("g", { class: "names", "aria-hidden": "true" });
  for (const u of [...units].sort((a, b) => Number(Boolean(b.outside)) - Number(Boolean(a.outside)))) {
    const wide = 6.6 * u.code.length;
    const places = [
      { left: u.x + 9, top: u.y - 7 }, { left: u.x - 9 - wide, top: u.y - 7 },
      { left: u.x - wide / 2, top: u.y - 23 }, { left: u.x - wide / 2, top: u.y + 9 },
    ];
    const room = places
      .map((p) => ({ ...p, right: p.left + wide, bottom: p.top + 14, of: u }))
      .find((p) => p.left > 0 && p.right < width && taken.every((t) => t.of === u || t.right < p.left || t.left > p.right || t.bottom < p.top || t.top > p.bottom));
    if (!room) continue;
    taken.push({ ...room, of: null });
    const name = element("text", { "text-anchor": "start", x: room.left, y: room.top + 11 });
    name.textContent = u.code;
    layer.append(name);
  }
  svg.append(layer);
}
