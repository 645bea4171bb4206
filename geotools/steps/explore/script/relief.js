// The strip in three dimensions: ground as it stands or as proposed, beams, dead stretches, and a person to scale.
const solid = (() => {
  const canvas = document.createElement("canvas");
  return Boolean(canvas.getContext("webgl2") || canvas.getContext("webgl"));
})();
// from where it is looked at, by eighths of a turn from the receiver's end on; left and right as from the transmitter
const TURNS = ["the receiver post", "the left of the receiver post", "the left", "the left of the transmitter post",
  "the transmitter post", "the right of the transmitter post", "the right", "the right of the receiver post"];
const FIRST_TURN = 285;
// how much of the picture's width the strip takes
const WIDE = innerWidth < 700 ? 1.5 : 1.9;

// one row of levels at a place along the beam line, between those that are known
function rowAt(relief, levels, x) {
  return relief.across.map((_, i) => at(relief.along, levels.map((row) => row[i]), x));
}

function patch(relief, levels, [from, to], colour) {
  const inside = relief.across.map((v, i) => [v, i]).filter(([v]) => Math.abs(v) <= relief.half + 0.001);
  const along = [from, ...relief.along.filter((v) => v > from && v < to), to];
  return { type: "surface", x: along, y: inside.map(([v]) => v), showscale: false, hoverinfo: "skip",
    z: inside.map(([, i]) => along.map((x) => rowAt(relief, levels, x)[i] / 100 + relief.base + 0.02)),
    colorscale: [[0, colour], [1, colour]], lighting: { ambient: 0.9, diffuse: 0.2, specular: 0 } };
}

function body(spot, relief, levels) {
  const { width, height, base } = spot.threat, half = width / 2, corners = [];
  const foot = at(relief.across, rowAt(relief, levels, spot.at), 0) / 100 + relief.base + base;
  for (const z of [foot, foot + height]) for (const x of [-half, half]) for (const y of [-half, half]) corners.push([spot.at + x, y, z]);
  const [x, y, z] = [0, 1, 2].map((i) => corners.map((corner) => corner[i]));
  return { type: "mesh3d", x, y, z, color: INK, flatshading: true, hoverinfo: "skip",
    i: [0, 1, 4, 5, 0, 1, 2, 3, 0, 2, 1, 3], j: [1, 3, 5, 7, 1, 5, 3, 7, 2, 6, 3, 7], k: [2, 2, 6, 6, 4, 4, 6, 6, 4, 4, 5, 5] };
}

function reliefTraces(z, parts, spot) {
  const relief = z.relief, built = state.after && relief.proposed, levels = built ? relief.proposed : relief.ground;
  const height = relief.across.map((_, i) => levels.map((row) => (row[i] === null ? null : row[i] / 100 + relief.base)));
  const moved = relief.across.map((_, i) => levels.map((row, j) => (row[i] !== null && Math.abs(row[i] - relief.ground[j][i]) > 1 ? 1 : 0)));
  const traces = [{ type: "surface", x: relief.along, y: relief.across, z: height, surfacecolor: moved, cmin: 0, cmax: 1,
    showscale: false, hoverinfo: "skip", colorscale: [[0, "#c9b08c"], [0.49, "#c9b08c"], [0.5, BUILT], [1, BUILT]],
    lighting: { ambient: 0.5, diffuse: 0.85, specular: 0.05, roughness: 0.9 }, contours: { z: { show: false } } }];
  const line = (x, y, z, color, width, dash = "solid") => traces.push({ type: "scatter3d", mode: "lines", x, y, z,
    line: { color, width, dash }, hoverinfo: "skip" });
  for (const part of parts) {
    for (const b of part.beams) {
      line(part.ends, [0, 0], [part.posts[0] + b.tx, part.posts[1] + b.rx], BLUE, b.level === part.moved ? 8 : 5);
    }
    part.ends.forEach((x, end) => line([x, x], [0, 0], [part.posts[end],
      part.posts[end] + Math.max(...part.beams.map((b) => (end ? b.rx : b.tx)))], INK, 6));
  }
  for (const t of [...data.threats].reverse()) {
    for (const part of parts) for (const run of part.dead[t.name]) traces.push(patch(relief, levels, run, colourOf(t.name)));
  }
  if (spot) traces.push(body(spot, relief, levels));
  return traces;
}

function labels(parts, spot, relief, levels) {
  const label = (x, z, text) => ({ x, y: 0, z, text: plain(text), ax: 0, ay: -28, showarrow: true, arrowcolor: INK, arrowhead: 0,
    bgcolor: "rgba(255,255,255,0.85)", font: { size: 12, color: INK } });
  const top = (part, end) => part.posts[end] + Math.max(...part.beams.map((b) => (end ? b.rx : b.tx)));
  const made = parts.flatMap((part) => ["transmitter", "receiver"].map((role, end) => label(part.ends[end], top(part, end), role)));
  if (spot) {
    const foot = at(relief.across, rowAt(relief, levels, spot.at), 0) / 100 + relief.base;
    made.push({ ...label(spot.at, foot + spot.threat.base, spot.threat.name), ay: 30 });
  }
  return made;
}

// the picture takes longer than a slider moves: it follows a moment after, and waits until somebody can look at it
let waiting = null, inView = false;
function laterRelief() {
  clearTimeout(waiting);
  waiting = setTimeout(() => { if (inView) { waiting = null; drawRelief(state.zone); } }, 60);
}
new IntersectionObserver((entries) => {
  inView = entries[entries.length - 1].isIntersecting;
  if (inView && waiting !== null) laterRelief();
}, { rootMargin: "400px" }).observe($("relief-note"));
addEventListener("beforeprint", () => drawRelief(state.zone));

function drawRelief(z) {
  $("relief-part").hidden = !z.relief || !solid;
  $("higher-value").textContent = `${state.higher} \u00d7`;
  const from = TURNS[Math.round((state.turn + FIRST_TURN) / 45) % 8];
  $("turn-value").textContent = `${state.turn}\u00b0`;
  $("turn").setAttribute("aria-valuetext", `from ${from}`);
  $("higher").setAttribute("aria-valuetext", `heights ${state.higher} times as large as lengths`);
  if (!z.relief || !solid) {
    $("relief-note").textContent = solid ? "The page holds the ground of the zones with dead spots alone, so that it can be sent."
      : "This browser draws nothing in three dimensions (WebGL is switched off); the sections above show the same ground.";
    return;
  }
  const parts = shown(z), spot = worst(parts), relief = z.relief, traces = reliefTraces(z, parts, spot);
  const tops = traces.filter((t) => t.type === "scatter3d").flatMap((t) => t.z);
  const levels = [...relief.ground, ...(relief.proposed || [])].flat().filter((v) => v !== null).map((v) => v / 100 + relief.base);
  const low = levels.reduce((a, b) => Math.min(a, b)), high = Math.max(...tops, levels.reduce((a, b) => Math.max(a, b)));
  const span = (axis) => axis[axis.length - 1] - axis[0], length = span(relief.along), across = span(relief.across);
  const wide = Math.max(1, Math.round(length / 50)), box = $("relief").getBoundingClientRect();
  const unit = WIDE * box.width / box.height / length, angle = (state.turn + FIRST_TURN) * Math.PI / 180;
  Plotly.react("relief", traces, { ...BASE, margin: { l: 0, r: 0, t: 0, b: 0 }, dragmode: innerWidth < 700 ? false : "turntable",
    scene: { aspectmode: "manual", aspectratio: { x: length * unit, y: across * wide * unit, z: (high - low) * state.higher * unit },
      camera: { projection: { type: "orthographic" }, center: { x: 0, y: 0, z: 0 },
        eye: { x: 1.6 * Math.cos(angle), y: 1.6 * Math.sin(angle), z: 0.9 } },
      annotations: labels(parts, spot, relief, state.after && relief.proposed ? relief.proposed : relief.ground),
      xaxis: { visible: false, range: [relief.along[0], relief.along[relief.along.length - 1]] },
      yaxis: { visible: false, range: [relief.across[0], relief.across[relief.across.length - 1]] },
      zaxis: { visible: false, range: [low, high] } } }, CONFIG);
  const who = spot ? ` The dark body is ${spot.threat.name} (${metres(spot.threat.height)} high) in the longest dead stretch.` : "";
  $("relief-note").textContent = `Heights are drawn ${state.higher} times, widths ${
    wide > 1 ? `${wide} times` : "just"} as large as lengths; looked at from ${from}. ${
    state.after ? "Green: ground that is moved." : "Ground as it stands."} Coloured ground: dead stretches.${who}`;
}
