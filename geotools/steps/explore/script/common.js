// What every part of the page uses: the data, words and colours, and what is chosen.
const data = JSON.parse(document.getElementById("data").textContent);
const $ = (id) => document.getElementById(id);
const VERDICT = {
  detected: ["detected, 95 % confidence", 4, "solid"],
  unproven: ["unproven", 6, "dash"],
  undetected: ["undetected", 9, "solid"],
  no_beam: ["no beam", 7, "dot"],
};
// the threat most easily detected comes first, and is the worst where it gets through: darkest, and drawn last
const DEAD = ["#5b0f5e", "#b0357f", "#e88bbd", "#0072b2", "#009e73", "#6e6e6e"];
const BEAM = { low: "dot", main: "solid", top: "dash" };
const INK = "#1b1f23", GROUND = "#8a6d4b", GAP = "#d55e00", BLUE = "#0072b2", BUILT = "#009e73";
const CONFIG = { displayModeBar: false, responsive: true, scrollZoom: false };
const BASE = { margin: { l: 48, r: 12, t: 8, b: 40 }, showlegend: false, hovermode: "closest", dragmode: false,
  font: { family: "inherit", size: 12, color: INK }, paper_bgcolor: "#ffffff", plot_bgcolor: "#ffffff" };
const state = { zone: null, tx: 0, rx: 0, after: false, higher: 10, turn: 0 };

const colourOf = (threat) => DEAD[Math.min(data.threats.findIndex((t) => t.name === threat), DEAD.length - 1)];
const metres = (value, digits = 2) => `${value.toFixed(digits)} m`;
const money = (value) => (value === null || value === undefined ? "no price set"
  : `${Math.round(value).toLocaleString("en")} ${data.bill.currency}`);
const words = (name) => name.replaceAll("_", " ");
// plotly reads some HTML in its texts
const plain = (text) => text.replaceAll("&", "&amp;").replaceAll("<", "&lt;");

function element(tag, text = "", attributes = {}) {
  const made = document.createElement(tag);
  if (text !== "") made.textContent = text;
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  return made;
}

// rows of cells; a cell is a text or an element. Narrow screens show a row as a block with each cell's heading
function table(caption, headings, rows) {
  const made = element("table", "", { role: "table" }), head = made.createTHead().insertRow(), body = made.createTBody();
  made.prepend(element("caption", caption));
  head.setAttribute("role", "row");
  for (const heading of headings) head.append(element("th", heading, { scope: "col", role: "columnheader" }));
  for (const cells of rows) {
    const row = body.insertRow();
    row.setAttribute("role", "row");
    cells.forEach((cell, i) => {
      const held = element(i ? "td" : "th", "", i ? { role: "cell" } : { scope: "row", role: "rowheader" });
      held.dataset.heading = headings[i];
      held.append(cell);
      row.append(held);
    });
  }
  return made;
}

const nowOf = (z) => z.cases[z.now[0] * z.rx.length + z.now[1]];
const deadOf = (answer) => Math.max(0, ...Object.values(answer.length));
// a zone that is split is as long undetected as its parts together
const deadAfter = (z) => z.after && data.threats.map((t) => z.after.reduce((sum, part) => sum + part.length[t.name], 0))
  .reduce((a, b) => Math.max(a, b), 0);

function at(xs, ys, x) {
  let i = xs.findIndex((v) => v >= x);
  if (i < 1) i = i < 0 ? xs.length - 1 : 1;
  const share = (x - xs[i - 1]) / (xs[i] - xs[i - 1]);
  return ys[i - 1] + share * (ys[i] - ys[i - 1]);
}

// what is shown of the zone: one part along the beam line, or several where the remedy splits it
function shown(z) {
  if (state.after && z.after) return z.after.map((part) => ({ ...part, moved: null }));
  const answer = z.cases[state.tx * z.rx.length + state.rx];
  const beams = z.beams.map((b) => (b.level === z.level ? { ...b, tx: z.tx[state.tx], rx: z.rx[state.rx] } : b));
  return [{ ...answer, zone: z.zone, chainage: z.chainage, ground: z.ground, posts: z.posts, beams, moved: z.level,
    ends: [0, z.chainage[z.chainage.length - 1]] }];
}

// the worst: a stretch of the threat most easily detected, the longest of its own
function worst(parts) {
  for (const t of data.threats) {
    const runs = parts.flatMap((part) => part.dead[t.name].map((run) => ({ run, part })));
    if (runs.length) {
      const { run, part } = runs.reduce((a, b) => (b.run[1] - b.run[0] > a.run[1] - a.run[0] ? b : a));
      return { threat: t, part, at: (run[0] + run[1]) / 2 };
    }
  }
  return null;
}
