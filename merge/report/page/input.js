/* Pointer, keyboard and controls of the viewer; starts it. */
/* ---- sizes ---- */
function fitCanvas(target) {
  target.width = Math.max(1, Math.round(target.clientWidth * ratio));
  target.height = Math.max(1, Math.round(target.clientHeight * ratio));
}
function resize() {
  ratio = window.devicePixelRatio || 1;
  fitCanvas(canvas);
  fitCanvas(loupeMain);
  fitCanvas(loupeOther);
  settle();
  redraw();
}

/* ---- pointer ---- */
const held = new Map();
let dragged = false;
const local = (event) => {
  const box = canvas.getBoundingClientRect();
  return { x: (event.clientX - box.left) * ratio, y: (event.clientY - box.top) * ratio };
};
canvas.addEventListener("pointerdown", (event) => {
  held.set(event.pointerId, local(event));
  dragged = held.size > 1;
  canvas.setPointerCapture(event.pointerId);
});
canvas.addEventListener("pointermove", (event) => {
  const now = local(event);
  const before = held.get(event.pointerId);
  if (!before) {
    const place = toPicture(now.x, now.y);
    if (!spot.pinned && event.pointerType !== "touch") moveSpot(place.x, place.y);
    return;
  }
  const others = [...held].filter(([id]) => id !== event.pointerId).map(([, point]) => point);
  if (others.length) {
    const gap = (point) => Math.hypot(point.x - others[0].x, point.y - others[0].y);
    const middle = { x: (now.x + others[0].x) / 2, y: (now.y + others[0].y) / 2 };
    zoomTo((view.scale * gap(now)) / Math.max(gap(before), 1), middle);
    dragged = true;
  } else if (dragged || Math.hypot(now.x - before.x, now.y - before.y) > 4 * ratio) {
    dragged = true;
    if (view.fit) return;
    view.x -= (now.x - before.x) / view.scale;
    view.y -= (now.y - before.y) / view.scale;
    settle();
    redraw();
  } else {
    return;
  }
  held.set(event.pointerId, now);
});
function release(event) {
  if (!held.delete(event.pointerId) || dragged || event.type === "pointercancel") return;
  const at = local(event);
  const place = toPicture(at.x, at.y);
  spot.pinned = event.pointerType === "touch" || !spot.pinned;
  moveSpot(place.x, place.y);
  canvas.dispatchEvent(new CustomEvent("placed", { detail: place }));
}
canvas.addEventListener("pointerup", release);
canvas.addEventListener("pointercancel", release);
canvas.addEventListener("dblclick", (event) => {
  zoomTo(view.scale < 0.99 ? 1 : 0, local(event));
});
canvas.addEventListener("wheel", (event) => {
  if (!event.ctrlKey && document.activeElement !== canvas) return;
  event.preventDefault();
  zoomTo(view.scale * Math.exp(-event.deltaY * (event.ctrlKey ? 0.01 : 0.0018)), local(event));
}, { passive: false });

/* ---- keyboard ---- */
const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
canvas.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const arrow = arrows[event.key];
  if (arrow) {
    const step = (event.shiftKey ? 0.5 : 0.12) * Math.min(canvas.width, canvas.height) / view.scale;
    if (view.fit) moveSpot(spot.x + arrow[0] * step, spot.y + arrow[1] * step);
    else {
      view.x += arrow[0] * step;
      view.y += arrow[1] * step;
      settle();
      moveSpot(view.x, view.y);
    }
  } else if (event.key === "+" || event.key === "=") zoomTo(view.scale * 1.4);
  else if (event.key === "-") zoomTo(view.scale / 1.4);
  else if (event.key === "0") zoomTo(0);
  else if (event.key === "1") zoomAtSpot(1);
  else if (event.key === "2") zoomAtSpot(2);
  else if (event.key === "l" || event.key === "L") {
    spot.pinned = true;
    moveSpot(view.x, view.y);
  } else if (event.key === "Escape") {
    canvas.blur();
    return;
  } else return;
  event.preventDefault();
});
function zoomAtSpot(scale) {
  view.x = spot.x;
  view.y = spot.y;
  view.fit = false;
  view.scale = scale;
  zoomTo(scale);
}
for (const target of [loupeMain, loupeOther]) {
  target.addEventListener("keydown", (event) => {
    const arrow = arrows[event.key];
    if (!arrow) return;
    event.preventDefault();
    const step = event.shiftKey ? 100 : 10;
    spot.pinned = true;
    moveSpot(spot.x + arrow[0] * step, spot.y + arrow[1] * step);
  });
}

/* ---- controls ---- */
for (const button of document.querySelectorAll("[data-zoom]")) {
  button.addEventListener("click", () => {
    const what = button.dataset.zoom;
    if (what === "in") zoomTo(view.scale * 1.4);
    else if (what === "out") zoomTo(view.scale / 1.4);
    else if (what === "fit") zoomTo(0);
    else zoomAtSpot(1);
  });
}
function showLegend() {
  const layer = layers[view.layer];
  byId("legend").hidden = !layer;
  byId("viewer").dataset.layer = view.layer;
  if (!layer) return;
  byId("legend-what").textContent = layer.what;
  byId("ramp-low").textContent = layer.low;
  byId("ramp-high").textContent = layer.high;
  const colours = palette(layer.palette);
  const start = layer.from || 0;
  const rgb = (share) => {
    const at = 3 * Math.round(255 * (start + (1 - start) * share));
    return `rgb(${colours[at]},${colours[at + 1]},${colours[at + 2]})`;
  };
  const stops = [];
  // A few frames are so many colours, not a ramp.
  const steps = layer.steps && layer.steps.length <= 16 ? layer.steps : null;
  for (let k = 0; k < (steps ? steps.length : 17); k += 1) {
    if (steps) stops.push(`${rgb(steps[k])} ${(100 * k) / steps.length}% ${(100 * (k + 1)) / steps.length}%`);
    else stops.push(rgb(k / 16));
  }
  byId("ramp-bar").style.background = `linear-gradient(90deg,${stops.join(",")})`;
}
for (const input of document.querySelectorAll("input[name=layer]")) {
  input.addEventListener("change", () => {
    view.layer = input.value;
    showLegend();
    redraw();
  });
}
byId("see-through").addEventListener("input", (event) => {
  view.alpha = 1 - Number(event.target.value) / 100;
  redraw();
});
for (const input of document.querySelectorAll("input[name=loupe-zoom]")) {
  input.addEventListener("change", () => {
    loupeZoom = Number(input.value);
    redraw();
  });
}
chooser.addEventListener("change", redraw);
for (const button of document.querySelectorAll("[data-step]")) {
  button.addEventListener("click", () => {
    const at = aligned.indexOf(comparedFrame().index) + Number(button.dataset.step);
    chooser.value = String(aligned[clamp(at, 0, aligned.length - 1)]);
    redraw();
  });
}

/* ---- places: whatever has data-frame or data-box ---- */
const pointed = (event) => event.target.closest && event.target.closest("[data-frame],[data-box]");
function placesOf(element) {
  const box = element.dataset.box ? element.dataset.box.split(",").map(Number) : null;
  return {
    frames: (element.dataset.frame || "").split(" ").filter(Boolean).map(Number),
    boxes: box ? [[box[0] - book.origin[0], box[1] - book.origin[1], box[2], box[3]]] : [],
  };
}
function light(element) {
  const places = element ? placesOf(element) : { frames: [], boxes: [] };
  lit.boxes = places.boxes;
  // A box says where; the parts of its frames would only hide what lies around it.
  lit.frames = places.boxes.length ? [] : places.frames;
  for (const thumb of document.querySelectorAll(".thumb")) {
    thumb.classList.toggle("lit", places.frames.includes(Number(thumb.dataset.frame)));
  }
  byId("viewer").dataset.lit = places.frames.join(" ");
  redraw();
}
function goTo(element) {
  const { frames: chosen, boxes } = placesOf(element);
  if (boxes.length) {
    const [row, column, height, width] = boxes[0];
    const room = Math.min(canvas.width / (1.6 * width), canvas.height / (1.6 * height));
    spot.pinned = true;
    view.x = column + width / 2;
    view.y = row + height / 2;
    view.scale = clamp(room, fitScale(), 1);
    view.fit = false;
    zoomTo(view.scale);
    const at = element.dataset.spot ? element.dataset.spot.split(",").map(Number) : null;
    moveSpot(at ? at[1] : view.x, at ? at[0] : view.y);
  }
  const shown = chosen.filter((index) => frames.has(index));
  if (shown.length) chooser.value = String(shown[0]);
  light(element);
  const calm = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
  byId("viewer").scrollIntoView({ behavior: calm ? "auto" : "smooth", block: "start" });
}
document.addEventListener("mouseover", (event) => {
  const element = pointed(event);
  if (element) light(element);
});
document.addEventListener("mouseout", (event) => {
  if (pointed(event)) light(document.activeElement.closest("[data-frame],[data-box]"));
});
document.addEventListener("focusin", (event) => light(pointed(event)));
document.addEventListener("click", (event) => {
  const element = pointed(event);
  if (element) goTo(element);
});
document.addEventListener("keydown", (event) => {
  const element = pointed(event);
  if (!element || element.tagName === "BUTTON" || !(event.key === "Enter" || event.key === " ")) return;
  event.preventDefault();
  goTo(element);
});

const sizes = new ResizeObserver(resize);
for (const element of [pane, loupeMain]) sizes.observe(element);
window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
overview.addEventListener("load", redraw);
showLegend();
resize();
loadMaps();
