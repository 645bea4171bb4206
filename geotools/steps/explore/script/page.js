// What the controls do.
function drawAnswers() {
  const z = state.zone;
  for (const end of ["tx", "rx"]) {
    const height = z[end][state[end]];
    $(end).value = state[end];
    $(end).disabled = z[end].length < 2 || state.after;
    $(`${end}-value`).textContent = metres(height);
    $(end).setAttribute("aria-valuetext", `${height.toFixed(2)} metres above ground`);
  }
  $("now").disabled = z.cases.length < 2 || state.after;
  $("after").disabled = !z.after;
  $("move").hidden = state.after;
  $(state.after ? "after" : "before").checked = true;
  drawSection(z);
  laterRelief();
}

function choose(name) {
  const z = data.zones.find((one) => one.zone === name);
  if (!z) {
    $("answer").textContent = `Zone ${name} has no beam: nothing is detected in it.`;
    return;
  }
  state.zone = z;
  [state.tx, state.rx] = z.now;
  if (!z.after) state.after = false;
  for (const end of ["tx", "rx"]) $(end).max = z[end].length - 1;
  document.querySelectorAll(".level").forEach((e) => { e.textContent = `level ${z.level}`; });
  document.querySelectorAll("#all button").forEach((b) => {
    if (b.textContent === name) b.setAttribute("aria-current", "true"); else b.removeAttribute("aria-current");
  });
  $("zone").value = name;
  $("zone-title").textContent = `Zone ${name}`;
  $("more-title").textContent = `Zone ${name}: works, certainty, window`;
  if ($("map").layout) Plotly.relayout("map", { annotations: mark(name) });
  drawAnswers();
  drawBuilt(z);
  drawOpen(z);
  drawWindow(z);
}

// as high as the site is at this width, so that no paper is left empty
const wide = $("map").clientWidth;
$("map").style.height = `${Math.round(Math.min((wide - 56) * data.size[1] / data.size[0] + 52, 1.2 * wide))}px`;
$("view").append(...Object.entries(VIEWS).map(([key, view]) => element("option", view.name, { value: key })));
drawAll();
drawCost();
drawMap();
$("map").on("plotly_click", (event) => {
  const hit = event.points.find((p) => p.data.meta);
  if (hit) choose(hit.data.meta);
});
// areas answer to a click only where the pointer rests on them
let over = null;
$("map").on("plotly_hover", (event) => { over = (event.points.find((p) => p.data.meta) || { data: {} }).data.meta; });
$("map").on("plotly_unhover", () => { over = null; });
$("map").addEventListener("click", () => { if (over) choose(over); });
$("view").addEventListener("change", drawMap);
$("zone").addEventListener("change", () => choose($("zone").value));
for (const end of ["tx", "rx"]) {
  $(end).addEventListener("input", () => { state[end] = Number($(end).value); drawAnswers(); });
}
for (const kind of ["before", "after"]) {
  $(kind).addEventListener("change", () => { state.after = $("after").checked; drawAnswers(); });
}
for (const name of ["higher", "turn"]) {
  $(name).addEventListener("input", () => { state[name] = Number($(name).value); laterRelief(); });
}
$("now").addEventListener("click", () => { [state.tx, state.rx] = state.zone.now; drawAnswers(); });
if (data.first) choose(data.first);
