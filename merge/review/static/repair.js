/* Repairs: a place, the row of what could stand there, one of them taken; the list of changes. */
const address = `/look/${byId("main").dataset.look}`;
const repair = { place: null, size: null, region: null, candidates: [], hovered: null, drawing: null, asked: 0 };

async function ask(what, data) {
  const options = data === undefined ? {} : {
    method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(data),
  };
  const answer = await fetch(`${address}/${what}`, options);
  const told = await answer.json().catch(() => ({ error: "The program did not answer as expected." }));
  if (!answer.ok) throw new Error(told.error || `The program refused (${answer.status}).`);
  return told;
}
function complain(error) {
  byId("trouble").textContent = error instanceof TypeError
    ? "The program has ended. Start 'depthweld review' again; changes are kept." : error.message;
  byId("trouble").hidden = false;
}
function pressed(button, on) {
  button.setAttribute("aria-pressed", on ? "true" : "false");
}

/* ---- the list of changes ---- */
const kinds = { frame: "from", detail: "", surface: "" };
function showEdits(state) {
  byId("trouble").hidden = true;
  book.versions = state.versions;
  const version = Object.values(state.versions).reduce((sum, value) => sum + value, 0);
  overview.src = `${address}/overview?v=${version}${book.before ? "&before=1" : ""}`;
  byId("undo").disabled = !state.undo;
  byId("redo").disabled = !state.redo;
  byId("save").disabled = !state.unsaved;
  byId("saved").textContent = state.unsaved ? "Changes are not in the picture file yet" : `${state.written} is up to date`;
  byId("no-edits").hidden = state.edits.length > 0;
  byId("edits").replaceChildren(...state.edits.map((edit, number) => {
    const item = document.createElement("li");
    const label = document.createElement("label");
    const box = Object.assign(document.createElement("input"), { type: "checkbox", checked: edit.on });
    box.addEventListener("change", () => change("switch", { number, on: box.checked }));
    label.append(box, ` Region ${kinds[edit.kind]} ${edit.name}`);
    const [rows, columns] = [edit.region.map((corner) => corner[1]), edit.region.map((corner) => corner[0])];
    const top = Math.max(0, Math.floor(Math.min(...rows)));
    const left = Math.max(0, Math.floor(Math.min(...columns)));
    const show = Object.assign(document.createElement("button"), { type: "button", textContent: "Show the place", className: "mark" });
    show.dataset.box = [top + book.origin[0], left + book.origin[1],
      Math.ceil(Math.max(...rows)) - top + 1, Math.ceil(Math.max(...columns)) - left + 1].join(",");
    const remove = Object.assign(document.createElement("button"), { type: "button", textContent: "Remove" });
    remove.addEventListener("click", () => change("remove", { number }));
    item.append(label, show, remove);
    return item;
  }));
  redraw();
}
function change(what, data = {}) {
  return ask(what, data).then(showEdits, complain);
}

/* ---- candidates ---- */
function closeCandidates() {
  Object.assign(repair, { place: null, size: null, region: null, candidates: [], hovered: null });
  repair.asked += 1;
  byId("candidates").hidden = true;
  byId("main").dataset.waiting = "";
  redraw();
}
async function askCandidates() {
  const { place, size, region } = repair;
  const mine = (repair.asked += 1);
  byId("candidates").hidden = false;
  byId("candidates-note").textContent = "Looking at the frames…";
  byId("main").dataset.waiting = "yes";
  try {
    const { candidates } = await ask("candidates", { x: place.x, y: place.y, size, region });
    if (mine !== repair.asked) return;
    await Promise.all(candidates.map(async (candidate) => {
      const image = new Image();
      image.src = candidate.picture;
      await image.decode();
      candidate.image = image;
    }));
    if (mine !== repair.asked) return;
    showCandidates(candidates);
  } catch (error) {
    if (mine === repair.asked) complain(error);
  }
  if (mine === repair.asked) byId("main").dataset.waiting = "";
}
function extent(region) {
  const { x, y } = repair.place;
  return Math.max(...region.map((corner) => Math.hypot(corner[0] - x, corner[1] - y))) / 1.5;
}
function showCandidates(candidates) {
  repair.candidates = candidates;
  if (candidates.length && !repair.size) repair.size = extent(candidates[0].edit.region);
  byId("candidates-note").textContent = candidates.length
    ? "Most detail first. Point at one to see it in the picture; click it to take it."
    : "No frame has detail here.";
  byId("row").replaceChildren(...candidates.map((candidate, k) => {
    const item = document.createElement("li");
    const button = Object.assign(document.createElement("button"), { type: "button", className: "candidate" });
    button.dataset.candidate = String(k);
    const image = Object.assign(document.createElement("img"), { src: candidate.picture, alt: "" });
    image.style.width = `${candidate.box[3] / ratio}px`;
    const words = document.createElement("span");
    words.textContent = `${candidate.name}: detail ${percent(candidate.detail)}, changes ${(100 * candidate.change).toFixed(1)} %`;
    button.append(image, words);
    const point = () => { repair.hovered = candidate; redraw(); };
    const leave = () => { if (repair.hovered === candidate) { repair.hovered = null; redraw(); } };
    for (const name of ["mouseenter", "focus"]) button.addEventListener(name, point);
    for (const name of ["mouseleave", "blur"]) button.addEventListener(name, leave);
    button.addEventListener("click", () => {
      change("take", { edit: candidate.edit });
      closeCandidates();
    });
    item.append(button);
    return item;
  }));
  redraw();
}
function open(place, region = null) {
  Object.assign(repair, { place, region, size: null });
  askCandidates();
}
function resizeRegion(factor) {
  if (!repair.place || !repair.size) return;
  repair.size *= factor;
  repair.region = null;
  askCandidates();
}

/* ---- in the picture ---- */
function trace(context, region, win) {
  context.beginPath();
  region.forEach(([x, y], k) => {
    const at = [(x + 0.5 - win.left) * win.scale, (y + 0.5 - win.top) * win.scale];
    if (k) context.lineTo(...at);
    else context.moveTo(...at);
  });
}
function stroke(context) {
  for (const [style, width] of [["rgba(0,0,0,.75)", 4], [colour("--accent-on-picture"), 2]]) {
    context.strokeStyle = style;
    context.lineWidth = width * ratio;
    context.stroke();
  }
}
view.over.push((context, win) => {
  const shown = repair.hovered || repair.candidates[0];
  if (repair.hovered) {
    const [row, column, height, width] = repair.hovered.box;
    context.imageSmoothingEnabled = win.scale < 2;
    drawPlaced(context, repair.hovered.image, [column, row, width, height], win);
  }
  if (shown) {
    trace(context, shown.edit.region, win);
    context.closePath();
    stroke(context);
  }
  if (repair.drawing && repair.drawing.length > 1) {
    trace(context, repair.drawing, win);
    stroke(context);
  }
});
canvas.addEventListener("placed", (event) => {
  if (repair.drawing) return;
  spot.pinned = true;
  open(event.detail);
});

/* ---- a region drawn by hand ---- */
function draw(on) {
  repair.drawing = on ? [] : null;
  pressed(byId("draw"), on);
  canvas.classList.toggle("drawing", on);
  if (on) closeCandidates();
}
let pen = false;
canvas.addEventListener("pointerdown", (event) => {
  if (!repair.drawing) return;
  event.stopImmediatePropagation();
  canvas.setPointerCapture(event.pointerId);
  pen = true;
  const at = local(event);
  const place = toPicture(at.x, at.y);
  repair.drawing = [[place.x, place.y]];
}, true);
canvas.addEventListener("pointermove", (event) => {
  if (!repair.drawing || !pen) return;
  event.stopImmediatePropagation();
  const at = local(event);
  const place = toPicture(at.x, at.y);
  repair.drawing.push([place.x, place.y]);
  redraw();
}, true);
canvas.addEventListener("pointerup", (event) => {
  if (!repair.drawing || !pen) return;
  event.stopImmediatePropagation();
  pen = false;
  const region = repair.drawing.filter((_, k, all) => k % Math.ceil(all.length / 400) === 0);
  draw(false);
  if (region.length < 3) return;
  const mean = (axis) => region.reduce((sum, corner) => sum + corner[axis], 0) / region.length;
  open({ x: mean(0), y: mean(1) }, region);
}, true);

/* ---- buttons and keys ---- */
function showBefore(on) {
  book.before = on;
  pressed(byId("before"), on);
  ask("edits").then(showEdits, complain);
}
const deeds = {
  "repair-here": () => open({ x: spot.x, y: spot.y }),
  draw: () => draw(!repair.drawing),
  undo: () => change("undo"),
  redo: () => change("redo"),
  before: () => showBefore(!book.before),
  save: () => {
    byId("saved").textContent = "Writing…";
    change("save");
  },
  larger: () => resizeRegion(1.4),
  smaller: () => resizeRegion(1 / 1.4),
  leave: closeCandidates,
};
for (const [id, deed] of Object.entries(deeds)) byId(id).addEventListener("click", deed);
const keys = { r: "repair-here", d: "draw", z: "undo", y: "redo", b: "before", s: "save", ".": "larger", ",": "smaller" };
function pressKey(event) {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("select, input[type=range]")) return;
  const id = event.key === "Escape" && !byId("candidates").hidden ? "leave" : keys[event.key.toLowerCase()];
  if (!id || byId(id).disabled) return;
  event.preventDefault();
  deeds[id]();
}
// Another tab may have changed something.
window.addEventListener("focus", () => ask("edits").then(showEdits, complain));
window.addEventListener("beforeunload", () => { repair.asked += 1; });
setInterval(() => ask("edits").catch(complain), 60000);
ask("edits").then(showEdits, complain).then(() => {
  document.addEventListener("keydown", pressKey);
  window.pressEarlyKeys();
  byId("main").dataset.ready = "yes";
});
