/* The picture with its layers, and what is lit in it. */
const canvas = byId("canvas");
const pane = byId("pane");
const overview = byId("overview");
const view = { scale: 1, x: book.width / 2, y: book.height / 2, fit: true, layer: "picture", alpha: 0.8, over: [] };
const spot = { x: book.width / 2, y: book.height / 2, pinned: false };
const lit = { boxes: [], frames: [], mask: null, key: "" };
let ratio = 1;
let waiting = false;

function redraw() {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => {
    waiting = false;
    drawViewer();
    drawLoupe();
  });
}
const fitScale = () => Math.min(canvas.width / book.width, canvas.height / book.height);
function settle() {
  if (view.fit) view.scale = fitScale();
  const halfWidth = canvas.width / 2 / view.scale;
  const halfHeight = canvas.height / 2 / view.scale;
  view.x = halfWidth * 2 >= book.width ? book.width / 2 : clamp(view.x, halfWidth, book.width - halfWidth);
  view.y = halfHeight * 2 >= book.height ? book.height / 2 : clamp(view.y, halfHeight, book.height - halfHeight);
  canvas.style.touchAction = view.fit ? "pan-y" : "none";
  const level = byId("zoom-level");
  const text = view.fit ? `whole, ${percent(view.scale)}` : percent(view.scale);
  if (level.textContent !== text) level.textContent = text;
  byId("viewer").dataset.zoom = String(view.scale);
}
function zoomTo(scale, at) {
  const least = fitScale();
  const wanted = clamp(scale, least, Math.max(8, least));
  const place = at || { x: canvas.width / 2, y: canvas.height / 2 };
  const before = toPicture(place.x, place.y);
  view.fit = wanted <= least * 1.001;
  view.scale = wanted;
  view.x = before.x - (place.x - canvas.width / 2) / wanted;
  view.y = before.y - (place.y - canvas.height / 2) / wanted;
  settle();
  redraw();
}
function toPicture(x, y) {
  return {
    x: view.x + (x - canvas.width / 2) / view.scale,
    y: view.y + (y - canvas.height / 2) / view.scale,
  };
}
/** What a tile is decoded from: bytes as text, or on a served page its address and version. */
function tileText(tiles, place) {
  if (!book.served) return tiles[place];
  if (tiles !== book.tiles) return tiles + place;
  return `${tiles}${place}?v=${book.versions[place] || 0}${book.before ? "&before=1" : ""}`;
}
/** Draw tiles of side ``side`` that a window shows; return the boxes that were there. */
function drawTiles(context, tiles, side, key, win) {
  const there = [];
  const firstRow = Math.max(0, Math.floor(win.top / side));
  const firstColumn = Math.max(0, Math.floor(win.left / side));
  const rows = Math.ceil(Math.min(win.bottom, book.height) / side);
  const columns = Math.ceil(Math.min(win.right, book.width) / side);
  if ((rows - firstRow) * (columns - firstColumn) > DRAWN) return there;
  for (let row = firstRow; row < rows; row += 1) {
    for (let column = firstColumn; column < columns; column += 1) {
      const text = tileText(tiles, `${row},${column}`);
      if (!text) continue;
      const bitmap = picture(book.served ? text : `${key}:${row},${column}`, text);
      if (!bitmap) continue;
      const box = [column * side, row * side, bitmap.width, bitmap.height];
      // Whole pixels at both ends, so that no seam shows between tiles.
      const left = Math.round((box[0] - win.left) * win.scale);
      const top = Math.round((box[1] - win.top) * win.scale);
      const right = Math.round((box[0] + box[2] - win.left) * win.scale);
      const bottom = Math.round((box[1] + box[3] - win.top) * win.scale);
      context.drawImage(bitmap, left, top, right - left, bottom - top);
      there.push(box);
    }
  }
  return there;
}
function windowOf(target, x, y, scale) {
  const left = x - target.width / 2 / scale;
  const top = y - target.height / 2 / scale;
  return { left, top, right: left + target.width / scale, bottom: top + target.height / scale, scale };
}
function drawPlaced(context, image, place, win) {
  const [x, y, width, height] = place;
  context.drawImage(image, (x - win.left) * win.scale, (y - win.top) * win.scale,
    width * win.scale, height * win.scale);
}
function drawViewer() {
  const context = canvas.getContext("2d");
  const win = windowOf(canvas, view.x, view.y, view.scale);
  context.fillStyle = colour("--stage");
  context.fillRect(0, 0, canvas.width, canvas.height);
  context.imageSmoothingEnabled = view.scale < 2;
  context.imageSmoothingQuality = "high";
  if (overview.complete && overview.naturalWidth) drawPlaced(context, overview, wholePicture, win);
  if (view.scale * book.width > overview.naturalWidth * 1.02) {
    drawTiles(context, book.tiles, book.tileSide, "main", win);
  }
  context.save();
  context.beginPath();
  context.rect(-win.left * win.scale, -win.top * win.scale, book.width * win.scale, book.height * win.scale);
  context.clip();
  if (maps.ready) drawLayer(context, view.layer, win);
  if (lit.frames.length && maps.ready) drawPlaced(context, litMask(), wholePicture, win);
  context.restore();
  for (const box of lit.boxes) outline(context, box, win, colour("--accent-on-picture"), 3 * ratio);
  for (const draw of view.over) draw(context, win);
  drawSpot(context, win);
}
/** Draw a map over the picture, which turns grey, so that the map's colours are its own. */
function drawLayer(context, name, win) {
  const layer = layers[name];
  if (!layer) return;
  context.globalCompositeOperation = "saturation";
  context.fillStyle = "#808080";
  context.fillRect(0, 0, context.canvas.width, context.canvas.height);
  context.globalCompositeOperation = "source-over";
  layer.canvas = layer.canvas || layer.paint();
  context.globalAlpha = view.alpha;
  context.imageSmoothingEnabled = name === "depth" || name === "confidence";
  drawPlaced(context, layer.canvas, layer.place, win);
  context.globalAlpha = 1;
}
function outline(context, [row, column, height, width], win, stroke, thick) {
  const x = (column - win.left) * win.scale;
  const y = (row - win.top) * win.scale;
  context.lineWidth = thick + 2 * ratio;
  context.strokeStyle = "rgba(0,0,0,.75)";
  context.strokeRect(x, y, width * win.scale, height * win.scale);
  context.lineWidth = thick;
  context.strokeStyle = stroke;
  context.strokeRect(x, y, width * win.scale, height * win.scale);
}
function drawSpot(context, win) {
  const loupe = loupeMain;
  const width = Math.max(loupe.width / loupeZoom, 14 * ratio / win.scale);
  const height = Math.max(loupe.height / loupeZoom, 14 * ratio / win.scale);
  outline(context, [spot.y - height / 2, spot.x - width / 2, height, width], win, "#fff", ratio);
}
/** Everything but the lit frames' parts, darkened, with a line around them. */
function litMask() {
  const key = lit.frames.join(" ");
  if (lit.mask && lit.key === key) return lit.mask;
  lit.key = key;
  const { width, height } = maps;
  lit.mask = sheet(width, height);
  const context = lit.mask.getContext("2d");
  const image = context.createImageData(width, height);
  const inside = (i) => lit.frames.includes(maps.frame[i]) && maps.confidence[i] > GUESS;
  for (let i = 0; i < width * height; i += 1) {
    if (!inside(i)) image.data[4 * i + 3] = 165;
    else if ((i % width && !inside(i - 1)) || (i >= width && !inside(i - width))) {
      image.data.set([255, 226, 122, 255], 4 * i);
    }
  }
  context.putImageData(image, 0, 0);
  return lit.mask;
}

/* ---- on paper: the weak parts as a picture of their own ---- */
window.addEventListener("beforeprint", () => {
  const paper = byId("paper-map");
  if (!paper || !maps.ready) return;
  paper.width = Math.min(1400, book.width);
  paper.height = Math.round((paper.width * book.height) / book.width);
  const context = paper.getContext("2d");
  const scale = paper.width / book.width;
  const win = { left: 0, top: 0, scale };
  context.imageSmoothingQuality = "high";
  drawPlaced(context, overview, wholePicture, win);
  drawLayer(context, "blur", win);
});
