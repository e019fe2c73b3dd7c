// What the maps say at a place: decoded from the grey picture that holds them as numbers.

class Values {
  // Planes below each other: frame modulo 256, frame div 256, depth and confidence in 1/255.
  static PLANES = 4;

  constructor(data, image) {
    this.data = data;
    this.width = image.naturalWidth;
    this.height = image.naturalHeight / Values.PLANES;
    const canvas = document.createElement("canvas");
    canvas.width = image.naturalWidth;
    canvas.height = image.naturalHeight;
    const context = canvas.getContext("2d", { willReadFrequently: true });
    context.drawImage(image, 0, 0);
    const pixels = context.getImageData(0, 0, canvas.width, canvas.height).data;
    this.bytes = new Uint8Array(pixels.length / 4);
    for (let i = 0; i < this.bytes.length; i++) this.bytes[i] = pixels[4 * i];
    this.size = this.width * this.height;
    this.overlays = {};
  }

  index(x, y) {
    const column = Math.floor((x * this.width) / this.data.width);
    const row = Math.floor((y * this.height) / this.data.height);
    return row * this.width + column;
  }

  frameAt(i) {
    return this.bytes[i] + 256 * this.bytes[this.size + i];
  }

  depthAt(i) {
    return (this.bytes[2 * this.size + i] * (this.data.frames.length - 1)) / 255;
  }

  confidenceAt(i) {
    return this.bytes[3 * this.size + i] / 255;
  }

  // A place in words; x and y in pixels of the master.
  words(x, y) {
    const { width, height, frames } = this.data;
    if (x < 0 || y < 0 || x >= width || y >= height) return "";
    const i = this.index(x, y);
    const frame = this.frameAt(i);
    const depth = this.depthAt(i);
    const sure = this.confidenceAt(i);
    const name = frames[frame] ? ` (${frames[frame].name})` : "";
    return (
      `Column ${Math.floor(x)}, row ${Math.floor(y)}: frame ${frame}${name} supplied most. ` +
      `Depth ${depth.toFixed(1)}${this.distance(depth)}. ` +
      `Confidence ${Math.round(100 * sure)} %: ${Values.sureness(sure)}.`
    );
  }

  distance(depth) {
    const known = this.data.distances;
    if (!known) return "";
    const k = Math.min(Math.floor(depth), known.length - 2);
    // Lenses focus in equal steps of the reciprocal of distance.
    const power = (1 / known[k]) * (k + 1 - depth) + (1 / known[k + 1]) * (depth - k);
    return `, about ${(1 / power).toFixed(0)} mm`;
  }

  static sureness(share) {
    if (share >= 0.75) return "certain";
    if (share >= 0.4) return "fairly certain";
    if (share >= 0.1) return "uncertain";
    return "a guess, no texture here";
  }

  // A map as a coloured picture of its own size.
  overlay(kind) {
    if (!this.overlays[kind]) this.overlays[kind] = this.paint(kind);
    return this.overlays[kind];
  }

  paint(kind) {
    const canvas = document.createElement("canvas");
    canvas.width = this.width;
    canvas.height = this.height;
    const context = canvas.getContext("2d");
    const image = context.createImageData(this.width, this.height);
    const last = Math.max(this.data.frames.length - 1, 1);
    for (let i = 0; i < this.size; i++) {
      let step = this.bytes[2 * this.size + i];
      if (kind === "frame") step = Math.round((255 * this.frameAt(i)) / last);
      if (kind === "confidence") step = this.bytes[3 * this.size + i];
      const colour = kind === "confidence" ? [step, step, step] : this.colour(step);
      image.data.set([...colour, 255], 4 * i);
    }
    context.putImageData(image, 0, 0);
    return canvas;
  }

  colour(step) {
    const at = 6 * step;
    return [0, 2, 4].map((k) => parseInt(this.data.colours.slice(at + k, at + k + 2), 16));
  }
}
