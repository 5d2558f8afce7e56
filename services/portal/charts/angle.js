// The double-angle plot of what the operations induced in the cornea: each eye a
// point whose distance is the cylinder and whose direction is twice its axis, so
// that eyes whose axes differ by a right angle lie opposite each other.
import { dot, line, text } from "@observablehq/plot";
import { ink, label, limit, plot } from "./surface.js";
import { decimal } from "./words.js";

// angleDrawing draws GET /v1/departments/{department}/astigmatism: the settled eyes,
// or with #early those of which the wound still heals. Another answer may be a group
// itself.
export function angleDrawing({ data, part, width }) {
  const group = data.points ? data : data[part || "settled"];
  if (!group?.points || group.points.length === 0) return { nothing: `Too few eyes to draw them (${group?.n ?? 0}).` };
  const points = group.points;
  const reach = Math.max(...points.map((p) => Math.hypot(p.x_d, p.y_d)));
  const edge = Math.max(0.5, Math.ceil(reach * 2) / 2);
  const step = edge > 3 ? 1 : 0.5;
  const rings = [];
  for (let at = step; at <= edge; at += step) rings.push(at);
  const side = Math.min(width, 520);
  const centre = group.centroid?.mean;
  const at = group.centroid?.centroid;
  const axes = [
    { x: 1, y: 0, words: "0°" }, { x: 0, y: 1, words: "45°" }, { x: -1, y: 0, words: "90°" }, { x: 0, y: -1, words: "135°" },
  ];
  const spread = group.prediction_ellipse_95;
  const sure = group.confidence_ellipse_95;
  const svg = plot({
    width: side,
    height: side,
    margin: 30,
    x: { domain: [-edge, edge], axis: null },
    y: { domain: [-edge, edge], axis: null },
    marks: [
      line(rings.flatMap((r) => turn(r)), { x: "x", y: "y", z: "ring", stroke: ink.rule, strokeWidth: 1 }),
      line([[-edge, 0], [edge, 0]], { stroke: ink.rule }),
      line([[0, -edge], [0, edge]], { stroke: ink.rule }),
      dot(points, { x: "x_d", y: "y_d", r: 2.6, stroke: ink.observed, strokeWidth: 1.4, className: "eye" }),
      ...(spread ? [line(ellipse(spread), { x: "x", y: "y", ...limit }), text([farthest(spread)], { x: "x", y: "y", text: ["where 95 % of eyes lie"], dy: 12, fontSize: 12, ...label })] : []),
      ...(sure ? [line(ellipse(sure), { x: "x", y: "y", stroke: ink.sign, strokeWidth: 2 })] : []),
      text(rings.filter((r) => side > 360 || Number.isInteger(r)), { x: (r) => r * Math.SQRT1_2, y: (r) => r * Math.SQRT1_2, text: (r) => `${decimal(r, 1)} D`, fontSize: 11, ...label }),
      text(axes, { x: (a) => a.x * edge, y: (a) => a.y * edge, dx: (a) => 16 * a.x, dy: (a) => -14 * a.y, text: "words", fontSize: 12, ...label }),
      ...(centre
        ? [
            dot([centre], { x: "x_d", y: "y_d", r: 6, symbol: "square", fill: ink.sign, stroke: ink.paper, strokeWidth: 1.5, className: "centroid" }),
            line([[-edge, edge * 0.98], [centre.x_d, centre.y_d]], { stroke: ink.sign, strokeWidth: 1 }),
            text([[-edge, edge]], { text: [`centroid ${decimal(at.dioptres, 2)} D` + (at.axis_deg == null ? "" : ` at ${Math.round(at.axis_deg)}°`)], dx: -24, dy: -10, textAnchor: "start", fontSize: 12, fontWeight: 600, ...label }),
          ]
        : []),
    ],
  });
  return { parts: [{ svg }] };
}

function turn(radius) {
  return Array.from({ length: 73 }, (_, i) => ({ x: radius * Math.cos((i * Math.PI) / 36), y: radius * Math.sin((i * Math.PI) / 36), ring: radius }));
}

// ellipse walks around one; its angle is that of the longer axis in the plane.
function ellipse(e) {
  const [cos, sin] = [Math.cos((e.angle_deg * Math.PI) / 180), Math.sin((e.angle_deg * Math.PI) / 180)];
  return Array.from({ length: 97 }, (_, i) => {
    const [u, v] = [e.semi_major_d * Math.cos((i * Math.PI) / 48), e.semi_minor_d * Math.sin((i * Math.PI) / 48)];
    return { x: e.centre.x_d + u * cos - v * sin, y: e.centre.y_d + u * sin + v * cos };
  });
}

// farthest is the lowest point of an ellipse, where its name has room.
function farthest(e) {
  return ellipse(e).reduce((low, p) => (p.y < low.y ? p : low));
}
