// The picture on a canvas: where it stands, how large, and what is drawn over it.

class Viewer {
  constructor(canvas, data, images) {
    this.canvas = canvas;
    this.context = canvas.getContext("2d");
    this.data = data;
    this.images = images; // picture, frames by number, crops: {box, frame or null, image}
    this.values = null;
    this.tiles = data.tiles ? new Tiles(data, () => this.redraw()) : null;
    this.x = data.width / 2; // place in the middle of the view, in pixels of the master
    this.y = data.height / 2;
    this.zoom = 0; // screen pixels per pixel of the master
    this.wipe = 1; // share of the view that shows the fused picture
    this.frame = null; // the frame on the other side
    this.overlay = "none";
    this.strength = 0.6;
    this.marks = true;
    this.onchange = () => {};
    new ResizeObserver(() => this.resize()).observe(canvas);
    this.resize();
  }

  // Geometry ------------------------------------------------------------------------

  resize() {
    const ratio = window.devicePixelRatio || 1;
    const isFit = this.zoom === 0 || this.isFit();
    this.canvas.width = Math.max(1, Math.round(this.canvas.clientWidth * ratio));
    this.canvas.height = Math.max(1, Math.round(this.canvas.clientHeight * ratio));
    this.ratio = ratio;
    if (isFit) this.fit();
    else this.moveTo(this.x, this.y, this.zoom);
  }

  fitZoom() {
    return Math.min(this.canvas.width / this.data.width, this.canvas.height / this.data.height);
  }

  isFit() {
    return this.zoom <= this.fitZoom() * 1.001;
  }

  fit() {
    this.moveTo(this.data.width / 2, this.data.height / 2, this.fitZoom());
  }

  moveTo(x, y, zoom = this.zoom) {
    this.zoom = Math.min(Math.max(zoom, this.fitZoom()), Math.max(8, this.fitZoom()));
    this.x = Viewer.held(x, this.data.width, this.canvas.width / this.zoom);
    this.y = Viewer.held(y, this.data.height, this.canvas.height / this.zoom);
    this.canvas.classList.toggle("zoomed", !this.isFit());
    this.redraw();
  }

  // The middle of a view of `span` pixels that does not leave the picture.
  static held(middle, size, span) {
    if (span >= size) return size / 2;
    return Math.min(Math.max(middle, span / 2), size - span / 2);
  }

  moveBy(screenX, screenY) {
    this.moveTo(this.x + screenX / this.zoom, this.y + screenY / this.zoom);
  }

  // Zoom and keep the place under (screenX, screenY) where it is.
  zoomAt(factor, screenX, screenY) {
    const before = this.placeAt(screenX, screenY);
    this.moveTo(this.x, this.y, this.zoom * factor);
    const after = this.placeAt(screenX, screenY);
    this.moveTo(this.x + before.x - after.x, this.y + before.y - after.y);
  }

  zoomMiddle(factor) {
    this.zoomAt(factor, this.canvas.width / 2, this.canvas.height / 2);
  }

  // Where the picture's corner is on the screen: whole pixels, so that at 100 % every
  // pixel of the master is one of the screen.
  corner() {
    return [
      Math.round(this.canvas.width / 2 - this.x * this.zoom),
      Math.round(this.canvas.height / 2 - this.y * this.zoom),
    ];
  }

  placeAt(screenX, screenY) {
    const [left, top] = this.corner();
    return { x: (screenX - left) / this.zoom, y: (screenY - top) / this.zoom };
  }

  screenBox(box) {
    const [left, top] = this.corner();
    return [
      left + box.column * this.zoom,
      top + box.row * this.zoom,
      box.width * this.zoom,
      box.height * this.zoom,
    ];
  }

  wholeBox() {
    return { row: 0, column: 0, width: this.data.width, height: this.data.height };
  }

  // Drawing -------------------------------------------------------------------------

  redraw() {
    if (this.waiting) return;
    this.waiting = requestAnimationFrame(() => {
      this.waiting = null;
      this.draw();
    });
  }

  draw() {
    const { context, canvas } = this;
    context.clearRect(0, 0, canvas.width, canvas.height);
    const border = this.frame === null ? canvas.width : Math.round(this.wipe * canvas.width);
    this.drawSide(null, 0, border);
    if (border < canvas.width) this.drawSide(this.frame, border, canvas.width);
    if (this.overlay !== "none" && this.values) this.drawOverlay();
    if (this.marks) this.drawMarks();
    if (border < canvas.width) this.drawBorder(border);
    this.onchange();
  }

  drawSide(frame, left, right) {
    const { context, canvas } = this;
    context.save();
    context.beginPath();
    context.rect(left, 0, right - left, canvas.height);
    context.clip();
    context.imageSmoothingEnabled = true;
    context.imageSmoothingQuality = "high";
    const whole = frame === null ? this.images.picture : this.images.frames.get(frame);
    if (whole) context.drawImage(whole, ...this.screenBox(this.wholeBox()));
    context.imageSmoothingEnabled = this.zoom < 1.5;
    if (frame === null && this.tiles) this.tiles.draw(this);
    if (this.zoom > this.previewZoom()) {
      for (const crop of this.images.crops) {
        if (crop.frame === frame) context.drawImage(crop.image, ...this.screenBox(crop.box));
      }
    }
    context.restore();
  }

  // Zoom up to which the preview is as good as the crops.
  previewZoom() {
    return this.images.picture.naturalWidth / this.data.width;
  }

  // Whether the middle of the view shows every pixel of the master.
  isSharp() {
    if (this.tiles || this.previewZoom() >= 1 || this.zoom <= this.previewZoom() * 1.01) return true;
    return this.images.crops.some(
      ({ box, frame }) =>
        frame === null &&
        this.x >= box.column && this.x <= box.column + box.width &&
        this.y >= box.row && this.y <= box.row + box.height,
    );
  }

  drawOverlay() {
    const { context } = this;
    context.save();
    context.globalAlpha = this.strength;
    context.imageSmoothingEnabled = this.overlay !== "frame";
    context.drawImage(this.values.overlay(this.overlay), ...this.screenBox(this.wholeBox()));
    context.restore();
    if (this.overlay !== "frame") return;
    for (const { box, frame } of this.data.cells) {
      const [x, y, width, height] = this.screenBox(box);
      if (Math.min(width, height) > 22 * this.ratio) {
        this.write(String(frame), x + width / 2, y + height / 2, "center");
      }
    }
  }

  drawMarks() {
    const { context } = this;
    for (const place of this.data.places) {
      const [x, y, width, height] = this.screenBox(place.box);
      for (const [colour, thickness] of [["#000", 4], ["#fff", 2]]) {
        context.strokeStyle = colour;
        context.lineWidth = thickness * this.ratio;
        context.strokeRect(x, y, width, height);
      }
      this.label(place.mark, x, y, "left");
    }
  }

  drawBorder(border) {
    const { context, canvas, ratio } = this;
    for (const [colour, thickness] of [["#000", 5], ["#fff", 2]]) {
      context.fillStyle = colour;
      context.fillRect(border - (thickness * ratio) / 2, 0, thickness * ratio, canvas.height);
    }
    if (border > 60 * ratio) this.label("fused", border - 8 * ratio, 8 * ratio, "right");
    this.label(`frame ${this.frame}`, border + 8 * ratio, 8 * ratio, "left");
  }

  // A word in a box of its own, so that it can be read on any picture.
  label(text, x, y, side) {
    const { context, ratio } = this;
    context.font = `600 ${13 * ratio}px system-ui, sans-serif`;
    const width = context.measureText(text).width + 12 * ratio;
    const left = side === "right" ? x - width : x;
    context.fillStyle = "#000";
    context.fillRect(left, y, width, 22 * ratio);
    context.fillStyle = "#fff";
    context.textAlign = "left";
    context.textBaseline = "middle";
    context.fillText(text, left + 6 * ratio, y + 11.5 * ratio);
  }

  write(text, x, y, align) {
    const { context, ratio } = this;
    context.font = `600 ${14 * ratio}px system-ui, sans-serif`;
    context.textAlign = align;
    context.textBaseline = "middle";
    context.lineWidth = 3 * ratio;
    context.lineJoin = "round";
    context.strokeStyle = "#000";
    context.strokeText(text, x, y);
    context.fillStyle = "#fff";
    context.fillText(text, x, y);
  }
}

// Full-size pieces of the picture in the folder beside the page.
class Tiles {
  static KEPT = 160;

  constructor(data, onload) {
    this.data = data;
    this.onload = onload;
    this.images = new Map();
  }

  draw(viewer) {
    const { size, levels, folder } = this.data.tiles;
    const wanted = Math.floor(Math.log2(1 / viewer.zoom) + 0.01);
    const level = Math.min(Math.max(wanted, 0), levels - 1);
    const span = size * 2 ** level; // of a tile, in pixels of the master
    const first = viewer.placeAt(0, 0);
    const last = viewer.placeAt(viewer.canvas.width, viewer.canvas.height);
    const end = (value, whole) => Math.min(Math.floor(value / span), Math.ceil(whole / span) - 1);
    for (let row = Math.max(0, Math.floor(first.y / span)); row <= end(last.y, this.data.height); row++) {
      for (let column = Math.max(0, Math.floor(first.x / span)); column <= end(last.x, this.data.width); column++) {
        const image = this.get(`${folder}/${level}/${row}_${column}.jpg`);
        if (!image.naturalWidth) continue;
        const box = {
          row: row * span,
          column: column * span,
          width: Math.min(span, this.data.width - column * span),
          height: Math.min(span, this.data.height - row * span),
        };
        viewer.context.drawImage(image, ...viewer.screenBox(box));
      }
    }
  }

  get(address) {
    let image = this.images.get(address);
    if (image) this.images.delete(address); // and set again below: the last one used
    else {
      image = new Image();
      image.onload = this.onload;
      image.src = address;
    }
    this.images.set(address, image);
    if (this.images.size > Tiles.KEPT) this.images.delete(this.images.keys().next().value);
    return image;
  }
}
