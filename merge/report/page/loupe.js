/* One place of the picture and of a frame, side by side. */
const loupeMain = byId("loupe-main");
const loupeOther = byId("loupe-other");
const chooser = byId("loupe-frame");
let loupeZoom = 1;
function mapIndex(x, y) {
  const column = clamp(Math.floor((x * maps.width) / book.width), 0, maps.width - 1);
  const row = clamp(Math.floor((y * maps.height) / book.height), 0, maps.height - 1);
  return row * maps.width + column;
}
function comparedFrame() {
  if (chooser.value !== "auto") return frames.get(Number(chooser.value));
  return frames.get(maps.ready ? maps.frame[mapIndex(spot.x, spot.y)] : aligned[0]);
}
function clearLoupe(target) {
  const context = target.getContext("2d");
  context.fillStyle = colour("--stage");
  context.fillRect(0, 0, target.width, target.height);
  context.imageSmoothingEnabled = loupeZoom < 2;
  return context;
}
function drawLoupe() {
  const win = windowOf(loupeMain, Math.round(spot.x), Math.round(spot.y), loupeZoom);
  win.left = Math.round(win.left);
  win.top = Math.round(win.top);
  drawTiles(clearLoupe(loupeMain), book.tiles, book.tileSide, "main", win);
  const frame = comparedFrame();
  const context = clearLoupe(loupeOther);
  const whole = picture(`frame:${frame.index}`, frame.picture);
  if (whole) {
    const size = [0, 0, whole.width * book.reduction, whole.height * book.reduction];
    context.imageSmoothingEnabled = book.reduction > 1 || loupeZoom < 2;
    drawPlaced(context, whole, size, win);
    context.imageSmoothingEnabled = loupeZoom < 2;
  }
  const there = drawTiles(context, frame.tiles, book.frameTileSide, `tile:${frame.index}`, win);
  const covered = coveredShare(there, win);
  if (covered > 0 && covered < 0.999) dotEdges(context, there, win);
  byId("loupe-name").textContent = `Frame ${frame.index + 1}, ${frame.name}`;
  byId("loupe-from").textContent = sizeWords(covered);
  const loupe = byId("loupe");
  loupe.dataset.x = String(Math.round(spot.x));
  loupe.dataset.y = String(Math.round(spot.y));
  // Not data-frame: that marks what points at a frame when it is touched.
  loupe.dataset.compared = String(frame.index);
  tellPlace();
}
function coveredShare(boxes, win) {
  const right = Math.min(win.right, book.width);
  const bottom = Math.min(win.bottom, book.height);
  const left = Math.max(win.left, 0);
  const top = Math.max(win.top, 0);
  let sum = 0;
  for (const [x, y, width, height] of boxes) {
    sum += Math.max(0, Math.min(x + width, right) - Math.max(x, left))
      * Math.max(0, Math.min(y + height, bottom) - Math.max(y, top));
  }
  return sum / Math.max((right - left) * (bottom - top), 1);
}
function sizeWords(covered) {
  if (book.reduction === 1 || covered >= 0.999) return "full size";
  const part = `1/${book.reduction} of the width`;
  if (covered <= 0) return `shown from a reduced picture (${part})`;
  return `outside the dotted line shown from a reduced picture (${part})`;
}
function dotEdges(context, boxes, win) {
  const key = (box) => `${box[0]},${box[1]}`;
  const have = new Set(boxes.map(key));
  const side = book.frameTileSide;
  context.setLineDash([2 * ratio, 4 * ratio]);
  context.lineWidth = 1.5 * ratio;
  context.strokeStyle = "rgba(255,255,255,.9)";
  for (const [x, y, width, height] of boxes) {
    const edges = [
      [x - side, y, x, y, x, y + height], [x + side, y, x + width, y, x + width, y + height],
      [x, y - side, x, y, x + width, y], [x, y + side, x, y + height, x + width, y + height],
    ];
    for (const [nx, ny, x1, y1, x2, y2] of edges) {
      if (have.has(`${nx},${ny}`)) continue;
      context.beginPath();
      context.moveTo((x1 - win.left) * win.scale, (y1 - win.top) * win.scale);
      context.lineTo((x2 - win.left) * win.scale, (y2 - win.top) * win.scale);
      context.stroke();
    }
  }
  context.setLineDash([]);
}
function tellPlace() {
  const parts = [`Loupe at ${Math.round(spot.x)}, ${Math.round(spot.y)} px`];
  if (maps.ready) {
    const i = mapIndex(spot.x, spot.y);
    parts.push(`sharpest in frame ${maps.frame[i] + 1}`);
    parts.push(`${percent(maps.confidence[i] / 255)} sure`);
    const blur = blurAt(spot.x, spot.y);
    if (blur !== null) parts.push(`${blur.toFixed(1)} px of blur left`);
  }
  const text = parts.join(" · ") + (spot.pinned ? " · stays here until the next click" : "");
  const readout = byId("readout");
  if (readout.textContent !== text) readout.textContent = text;
}
function blurAt(x, y) {
  if (!maps.blur) return null;
  const column = Math.floor((x + book.origin[1]) / book.blur.side);
  const row = Math.floor((y + book.origin[0]) / book.blur.side);
  if (row < 0 || column < 0 || row >= maps.blur.height || column >= maps.blur.width) return null;
  const code = maps.blur.data[4 * (row * maps.blur.width + column)];
  return code === book.blur.unknown ? null : code * book.blur.unit;
}
function moveSpot(x, y) {
  spot.x = clamp(x, 0, book.width - 1);
  spot.y = clamp(y, 0, book.height - 1);
  redraw();
}
