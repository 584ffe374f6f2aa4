/* The pictures and maps that a page carries, decoded when they are needed. */
const book = JSON.parse(byId("pictures").textContent);
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
/** A picture from the page's own bytes; on a served page the text is an address. */
function decode(text, kind) {
  if (book.served) return fetch(text).then((answer) => answer.blob()).then(createImageBitmap);
  return createImageBitmap(new Blob([bytesOf(text)], { type: `image/${kind}` }));
}
const KEPT = 220;
// More tiles than this are not drawn at once: the overview has to do then.
const DRAWN = 120;
const decoded = new Map();
let pending = 0;
function awaited(change) {
  pending += change;
  byId("viewer").dataset.pending = String(pending);
}
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
  awaited(1);
  decode(text, "webp").then((bitmap) => {
    entry.bitmap = bitmap;
    redraw();
  }, () => decoded.delete(key)).then(() => awaited(-1));
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
    steps: aligned.map((index) => (index - first.index) / Math.max(last.index - first.index, 1)),
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
