"use strict";
(() => {
  const root = document.documentElement;
  root.classList.add("js");
  const byId = (id) => document.getElementById(id);
  const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
  const percent = (share) => `${Math.round(100 * share)} %`;

  /* ---- the run as text ---- */
  const everything = byId("everything");
  if (everything) {
    everything.addEventListener("toggle", () => {
      const shown = byId("json-text");
      if (everything.open && !shown.textContent) {
        shown.textContent = JSON.stringify(JSON.parse(byId("run-data").textContent), null, 2);
      }
    });
  }

  window.addEventListener("beforeprint", () => {
    for (const details of document.querySelectorAll("details:not(#everything)")) details.open = true;
  });

  const holder = byId("pictures");
  if (!holder) return;
  const book = JSON.parse(holder.textContent);
  const frames = new Map(book.frames.map((frame) => [frame.index, frame]));
  const aligned = book.frames.map((frame) => frame.index);
  const colour = (name) => getComputedStyle(root).getPropertyValue(name).trim();

  /* ---- decoding: bytes of the page to pictures, the latest kept ---- */
  function bytesOf(text) {
    const raw = atob(text);
    const bytes = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i += 1) bytes[i] = raw.charCodeAt(i);
    return bytes;
  }
  function decode(text, kind) {
    return createImageBitmap(new Blob([bytesOf(text)], { type: `image/${kind}` }));
  }
  const KEPT = 220;
  // More tiles than this are not drawn at once: the overview has to do then.
  const DRAWN = 120;
  const decoded = new Map();
  /** The picture of a key, or null while it is being decoded (a redraw follows). */
  function picture(key, text) {
    const found = decoded.get(key);
    if (found) {
      decoded.delete(key);
      decoded.set(key, found);
      return found.bitmap;
    }
    const entry = { bitmap: null };
    decoded.set(key, entry);
    decode(text, "webp").then((bitmap) => {
      entry.bitmap = bitmap;
      redraw();
    });
    if (decoded.size > KEPT) {
      const oldest = decoded.keys().next().value;
      const old = decoded.get(oldest);
      decoded.delete(oldest);
      if (old.bitmap) old.bitmap.close();
    }
    return null;
  }

  /* ---- maps ---- */
  const maps = { ready: false };
  // Confidence, in 255ths, below which the frame is only a guess: even parts, out-of-focus backdrops.
  const GUESS = 45;
  function sheet(width, height) {
    return Object.assign(document.createElement("canvas"), { width, height });
  }
  async function pixelsOf(text) {
    const bitmap = await createImageBitmap(new Blob([bytesOf(text)], { type: "image/png" }), {
      colorSpaceConversion: "none",
      premultiplyAlpha: "none",
    });
    const canvas = sheet(bitmap.width, bitmap.height);
    const context = canvas.getContext("2d", { willReadFrequently: true });
    context.drawImage(bitmap, 0, 0);
    return context.getImageData(0, 0, bitmap.width, bitmap.height);
  }
  function nearestFrame(position) {
    let best = aligned[0];
    for (const index of aligned) {
      if (Math.abs(index - position) < Math.abs(best - position)) best = index;
    }
    return best;
  }
  async function loadMaps() {
    const depth = await pixelsOf(book.depth.png);
    const count = depth.width * depth.height;
    maps.width = depth.width;
    maps.height = depth.height;
    maps.position = new Float32Array(count);
    maps.confidence = new Uint8Array(count);
    maps.frame = new Int16Array(count);
    const known = new Map();
    for (let i = 0; i < count; i += 1) {
      const code = depth.data[4 * i] * 256 + depth.data[4 * i + 1];
      const position = code * book.depth.step;
      if (!known.has(code)) known.set(code, nearestFrame(position));
      maps.position[i] = position;
      maps.frame[i] = known.get(code);
      maps.confidence[i] = depth.data[4 * i + 2];
    }
    if (book.blur) maps.blur = await pixelsOf(book.blur.png);
    maps.ready = true;
    redraw();
  }
  const palettes = {};
  function palette(name) {
    palettes[name] = palettes[name] || bytesOf(book.palettes[name]);
    return palettes[name];
  }
  /** A canvas whose pixel i has colour ``share(i)`` of a palette, as opaque as ``cover(i)``. */
  function paint(width, height, name, share, cover = () => 1) {
    const canvas = sheet(width, height);
    const context = canvas.getContext("2d");
    const image = context.createImageData(width, height);
    const colours = palette(name);
    for (let i = 0; i < width * height; i += 1) {
      const at = 3 * clamp(Math.round(255 * share(i)), 0, 255);
      image.data[4 * i] = colours[at];
      image.data[4 * i + 1] = colours[at + 1];
      image.data[4 * i + 2] = colours[at + 2];
      image.data[4 * i + 3] = 255 * cover(i);
    }
    context.putImageData(image, 0, 0);
    return canvas;
  }
  /** Position on the focus axis in px of blur, between the frames beside it; frames without an axis. */
  function axisPosition(position) {
    let k = 0;
    while (k < aligned.length - 2 && aligned[k + 1] < position) k += 1;
    const one = book.frames[k];
    const two = book.frames[Math.min(k + 1, aligned.length - 1)];
    if (one.position === null || one === two) return position;
    const share = clamp((position - one.index) / (two.index - one.index), 0, 1);
    return one.position + share * (two.position - one.position);
  }
  const first = book.frames[0];
  const last = book.frames[book.frames.length - 1];
  const hasAxis = first.position !== null;
  const axisEnds = hasAxis
    ? [Math.min(...book.frames.map((f) => f.position)), Math.max(...book.frames.map((f) => f.position))]
    : [first.index, last.index];
  const tolerance = book.blur ? book.blur.tolerance : 0;
  const blurEnd = book.blur ? book.blur.unit * (book.blur.unknown - 1) : 1;
  // Weak parts start at a colour that stands out from the grey picture below.
  const WEAK_FROM = 0.42;
  const wholePicture = [0, 0, book.width, book.height];
  const layers = {
    frame: {
      what: book.frameLayer, palette: "viridis", place: wholePicture,
      low: `frame ${first.index + 1}`, high: `frame ${last.index + 1}`,
      paint() {
        const span = Math.max(last.index - first.index, 1);
        return paint(maps.width, maps.height, "viridis", (i) => (maps.frame[i] - first.index) / span);
      },
    },
    depth: {
      what: `${hasAxis ? "Depth, as blur against the first frame" : "Depth, counted in frames"}; faint where it is a guess`,
      palette: "cividis", place: wholePicture,
      low: hasAxis ? `${axisEnds[0].toFixed(1)} px` : `frame ${first.index + 1}`,
      high: hasAxis ? `${axisEnds[1].toFixed(1)} px` : `frame ${last.index + 1}`,
      paint() {
        const span = Math.max(axisEnds[1] - axisEnds[0], 1e-6);
        const known = new Map();
        return paint(maps.width, maps.height, "cividis", (i) => {
          const position = maps.position[i];
          if (!known.has(position)) known.set(position, (axisPosition(position) - axisEnds[0]) / span);
          return known.get(position);
        }, (i) => clamp((maps.confidence[i] - GUESS) / 50, 0.12, 1));
      },
    },
    confidence: {
      what: "How sure the choice of the frame is", palette: "cividis", place: wholePicture,
      low: "a guess", high: "certain",
      paint() {
        return paint(maps.width, maps.height, "cividis", (i) => maps.confidence[i] / 255);
      },
    },
  };
  if (book.blur) {
    const [row, column] = book.origin;
    layers.blur = {
      what: "Blur left in the sharpest frame, where it is more than allowed; grey: no detail to measure",
      palette: "inferno", from: WEAK_FROM,
      low: `${tolerance.toPrecision(2)} px`, high: `${blurEnd.toFixed(1)} px or more`,
      get place() {
        const side = book.blur.side;
        return [-column, -row, maps.blur.width * side, maps.blur.height * side];
      },
      paint() {
        const { data, width, height } = maps.blur;
        const canvas = paint(width, height, "inferno", (i) => {
          const blur = data[4 * i] * book.blur.unit;
          return WEAK_FROM + (1 - WEAK_FROM) * ((blur - tolerance) / (blurEnd - tolerance));
        }, (i) => (data[4 * i] !== book.blur.unknown && data[4 * i] * book.blur.unit > tolerance ? 1 : 0));
        const context = canvas.getContext("2d");
        context.fillStyle = "rgba(128,128,128,.75)";
        for (let i = 0; i < width * height; i += 1) {
          if (data[4 * i] === book.blur.unknown) context.fillRect(i % width, Math.floor(i / width), 1, 1);
        }
        return canvas;
      },
    };
  }

  /* ---- the viewer ---- */
  const canvas = byId("canvas");
  const pane = byId("pane");
  const overview = byId("overview");
  const view = { scale: 1, x: book.width / 2, y: book.height / 2, fit: true, layer: "picture", alpha: 0.8 };
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
        const text = tiles[`${row},${column}`];
        if (!text) continue;
        const bitmap = picture(`${key}:${row},${column}`, text);
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
    const layer = layers[view.layer];
    if (layer && maps.ready) {
      // Grey below a map, so that its colours are its own.
      context.globalCompositeOperation = "saturation";
      context.fillStyle = "#808080";
      context.fillRect(0, 0, canvas.width, canvas.height);
      context.globalCompositeOperation = "source-over";
      layer.canvas = layer.canvas || layer.paint();
      context.globalAlpha = view.alpha;
      context.imageSmoothingEnabled = view.layer === "depth" || view.layer === "confidence";
      drawPlaced(context, layer.canvas, layer.place, win);
      context.globalAlpha = 1;
    }
    if (lit.frames.length && maps.ready) drawPlaced(context, litMask(), wholePicture, win);
    context.restore();
    for (const box of lit.boxes) outline(context, box, win, colour("--accent-on-picture"), 3 * ratio);
    drawSpot(context, win);
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

  /* ---- the loupe ---- */
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
    loupe.dataset.frame = String(frame.index);
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
    const stops = [];
    for (let k = 0; k <= 16; k += 1) {
      const start = layer.from || 0;
      const at = 3 * Math.round(255 * (start + ((1 - start) * k) / 16));
      stops.push(`rgb(${colours[at]},${colours[at + 1]},${colours[at + 2]})`);
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
})();
