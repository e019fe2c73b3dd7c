// Hands on the viewer: buttons, keys, mouse, touch; and the list of places.

const ZOOM_STEP = 1.5;
const MOVE_SHARE = 0.2; // of the view, for one press of an arrow
const GRIP_PX = 14; // how near to the border a pointer takes hold of it

class Page {
  constructor(data) {
    this.data = data;
    this.canvas = this.find("canvas");
    this.viewer = new Viewer(this.canvas, data, this.images());
    this.viewer.onchange = () => this.tell();
    this.pointers = new Map();
    this.bindTools();
    this.bindKeys();
    this.bindPointers();
    this.bindPlaces();
    this.chooseFrame("auto");
  }

  find(name) {
    return document.getElementById(name);
  }

  images() {
    const frames = new Map();
    const crops = [];
    for (const image of document.querySelectorAll("img[data-frame]")) {
      frames.set(Number(image.dataset.frame), image);
    }
    for (const image of document.querySelectorAll("img[data-place]")) {
      const { box } = this.data.places[Number(image.dataset.place)];
      const frame = image.dataset.source ? Number(image.dataset.source) : null;
      crops.push({ box, frame, image });
    }
    return { picture: this.find("picture"), frames, crops };
  }

  setValues(values) {
    this.viewer.values = values;
    this.chooseFrame(this.chosen);
    this.viewer.redraw();
  }

  // Tools ---------------------------------------------------------------------------

  bindTools() {
    const actions = {
      "zoom-in": () => this.viewer.zoomMiddle(ZOOM_STEP),
      "zoom-out": () => this.viewer.zoomMiddle(1 / ZOOM_STEP),
      fit: () => this.viewer.fit(),
      full: () => this.viewer.moveTo(this.viewer.x, this.viewer.y, 1),
      left: () => this.step(-1, 0),
      right: () => this.step(1, 0),
      up: () => this.step(0, -1),
      down: () => this.step(0, 1),
      switch: () => this.setWipe(this.viewer.wipe > 0 ? 0 : 1),
      screen: () => this.toggleScreen(),
    };
    for (const [name, action] of Object.entries(actions)) {
      this.find(`do-${name}`).addEventListener("click", action);
    }
    if (!document.fullscreenEnabled) this.find("do-screen").hidden = true;
    for (const radio of document.querySelectorAll("input[name=overlay]")) {
      radio.addEventListener("change", () => this.setOverlay(radio.value));
      if (radio.checked) this.setOverlay(radio.value); // browsers keep what was chosen
    }
    const strength = this.find("strength");
    const setStrength = () => {
      this.viewer.strength = strength.value / 100;
      strength.setAttribute("aria-valuetext", `${strength.value} %`);
      this.viewer.redraw();
    };
    strength.addEventListener("input", setStrength);
    setStrength();
    const marks = this.find("marks");
    const setMarks = () => {
      this.viewer.marks = marks.checked;
      this.viewer.redraw();
    };
    marks.addEventListener("change", setMarks);
    setMarks();
    this.find("wipe").addEventListener("input", (event) => this.setWipe(event.target.value / 100));
    this.setWipe(1);
    const frame = this.find("frame");
    frame.value = "auto";
    frame.addEventListener("change", () => this.chooseFrame(frame.value));
  }

  step(x, y) {
    this.viewer.moveBy(x * MOVE_SHARE * this.canvas.width, y * MOVE_SHARE * this.canvas.height);
    this.readMiddle();
  }

  toggleScreen() {
    if (document.fullscreenElement) document.exitFullscreen();
    else this.find("viewer").requestFullscreen();
  }

  setOverlay(kind) {
    this.viewer.overlay = kind;
    for (const legend of document.querySelectorAll("[data-legend]")) {
      legend.hidden = legend.dataset.legend !== kind;
    }
    this.find("strength-field").hidden = kind === "none";
    this.viewer.redraw();
  }

  setWipe(share) {
    this.viewer.wipe = share;
    const slider = this.find("wipe");
    slider.value = Math.round(100 * share);
    slider.setAttribute("aria-valuetext", `${slider.value} % fused picture`);
    this.find("do-switch").setAttribute("aria-pressed", String(share === 0));
    this.viewer.redraw();
  }

  // The frame to compare with; "auto" is the one that supplied the middle of the view.
  chooseFrame(choice) {
    this.chosen = choice;
    this.find("frame").value = choice;
    if (choice !== "auto") this.viewer.frame = Number(choice);
    this.viewer.redraw();
  }

  followMiddle() {
    const { viewer } = this;
    if (this.chosen !== "auto" || !viewer.values) return;
    const index = viewer.values.index(
      Math.min(viewer.x, this.data.width - 1),
      Math.min(viewer.y, this.data.height - 1),
    );
    const frame = viewer.values.frameAt(index);
    if (frame === viewer.frame || !this.data.frames[frame]?.used) return;
    viewer.frame = frame;
    this.find("frame").options[0].textContent = `the leading frame here (${frame})`;
    viewer.redraw();
  }

  // Words ---------------------------------------------------------------------------

  tell() {
    this.followMiddle();
    const percent = 100 * this.viewer.zoom;
    const text = percent < 10 ? percent.toFixed(1) : percent.toFixed(0);
    this.find("zoom").textContent = `${text} %`;
    this.find("soft").hidden = this.viewer.isSharp();
  }

  read(place) {
    const { values } = this.viewer;
    const words = values ? values.words(place.x, place.y) : "";
    if (words) this.find("readout").textContent = words;
  }

  readMiddle() {
    this.read({ x: this.viewer.x, y: this.viewer.y });
  }

  // Keys ----------------------------------------------------------------------------

  bindKeys() {
    const keys = {
      ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down",
      "+": "zoom-in", "=": "zoom-in", "-": "zoom-out", 0: "fit", 1: "full", s: "switch",
    };
    this.canvas.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      if (event.key === "n" || event.key === "p") this.nextPlace(event.key === "n" ? 1 : -1);
      else if (event.key === "[" || event.key === "]") this.nextFrame(event.key === "]" ? 1 : -1);
      else if (keys[event.key]) this.find(`do-${keys[event.key]}`).click();
      else return;
      event.preventDefault();
    });
    this.canvas.addEventListener("focus", () => this.readMiddle());
  }

  nextPlace(by) {
    const n = this.data.places.length;
    if (n) this.showPlace((((this.place ?? (by > 0 ? -1 : 0)) + by) % n + n) % n);
  }

  nextFrame(by) {
    const used = this.data.frames.map((f, k) => (f.used ? k : -1)).filter((k) => k >= 0);
    const at = used.indexOf(this.viewer.frame);
    const next = used[Math.min(Math.max(at + by, 0), used.length - 1)];
    this.chooseFrame(String(next));
    this.find("readout").textContent = `Compared with frame ${next}.`;
  }

  // Mouse and touch -----------------------------------------------------------------

  screenPlace(event) {
    const box = this.canvas.getBoundingClientRect();
    return [
      (event.clientX - box.left) * this.viewer.ratio,
      (event.clientY - box.top) * this.viewer.ratio,
    ];
  }

  bindPointers() {
    const { canvas } = this;
    canvas.addEventListener("pointerdown", (event) => this.pointerDown(event));
    canvas.addEventListener("pointermove", (event) => this.pointerMove(event));
    for (const name of ["pointerup", "pointercancel"]) {
      canvas.addEventListener(name, (event) => this.pointers.delete(event.pointerId));
    }
    canvas.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    canvas.addEventListener("dblclick", (event) => {
      const target = this.viewer.zoom < 0.99 ? 1 / this.viewer.zoom : 2;
      this.viewer.zoomAt(target, ...this.screenPlace(event));
    });
  }

  pointerDown(event) {
    const [x, y] = this.screenPlace(event);
    this.pointers.set(event.pointerId, { x, y });
    this.canvas.setPointerCapture(event.pointerId);
    const border = this.viewer.wipe * this.canvas.width;
    this.wiping =
      this.pointers.size === 1 && this.viewer.wipe < 1 &&
      Math.abs(x - border) < GRIP_PX * this.viewer.ratio;
    this.read(this.viewer.placeAt(x, y));
  }

  pointerMove(event) {
    const [x, y] = this.screenPlace(event);
    const before = this.pointers.get(event.pointerId);
    if (!before) {
      this.read(this.viewer.placeAt(x, y));
      return;
    }
    if (this.wiping) this.setWipe(Math.min(Math.max(x / this.canvas.width, 0), 1));
    else if (this.pointers.size === 2) this.pinch(event.pointerId, before, { x, y });
    else this.viewer.moveBy(before.x - x, before.y - y);
    this.pointers.set(event.pointerId, { x, y });
  }

  pinch(id, before, after) {
    const [, other] = [...this.pointers].find(([key]) => key !== id);
    const gap = (p) => Math.hypot(p.x - other.x, p.y - other.y);
    const middle = [(after.x + other.x) / 2, (after.y + other.y) / 2];
    this.viewer.zoomAt(gap(after) / Math.max(gap(before), 1), ...middle);
    this.viewer.moveBy((before.x - after.x) / 2, (before.y - after.y) / 2);
  }

  // Pinching on a trackpad comes as a wheel with Ctrl. A plain wheel scrolls the page
  // until the picture has been clicked.
  wheel(event) {
    const isOurs = event.ctrlKey || document.activeElement === this.canvas;
    if (!isOurs) return;
    event.preventDefault();
    if (!event.ctrlKey && event.deltaX) this.viewer.moveBy(event.deltaX, event.deltaY);
    else {
      const speed = event.ctrlKey ? 0.01 : 0.002;
      const lines = event.deltaMode === WheelEvent.DOM_DELTA_LINE ? 30 : 1;
      const factor = Math.exp(-event.deltaY * lines * speed);
      this.viewer.zoomAt(factor, ...this.screenPlace(event));
    }
  }

  // Places --------------------------------------------------------------------------

  bindPlaces() {
    for (const link of document.querySelectorAll("[data-show]")) {
      link.addEventListener("click", (event) => {
        event.preventDefault();
        this.showPlace(Number(link.dataset.show));
      });
    }
  }

  // The middle of each place, pixel for pixel, beside its words.
  drawThumbs() {
    const ratio = window.devicePixelRatio || 1;
    for (const thumb of document.querySelectorAll("[data-thumb]")) {
      const selector = `img[data-place="${thumb.dataset.thumb}"]:not([data-source])`;
      const image = document.querySelector(selector);
      thumb.width = Math.round(thumb.clientWidth * ratio);
      thumb.height = Math.round(thumb.clientHeight * ratio);
      const left = (thumb.width - image.naturalWidth) / 2;
      const top = (thumb.height - image.naturalHeight) / 2;
      thumb.getContext("2d").drawImage(image, left, top);
    }
  }

  showPlace(number) {
    this.place = number;
    const { box, mark, message, frames } = this.data.places[number];
    // Pixel for pixel, or closer where that is how the whole picture is shown already.
    const zoom = Math.min(Math.max(1, 2 * this.viewer.fitZoom()), this.canvas.width / box.width);
    this.viewer.moveTo(box.column + box.width / 2, box.row + box.height / 2, zoom);
    if (frames.length) this.chooseFrame(String(frames[0]));
    for (const link of document.querySelectorAll("[data-show]")) {
      link.setAttribute("aria-current", String(Number(link.dataset.show) === number));
    }
    this.canvas.focus({ preventScroll: true });
    this.find("viewer").scrollIntoView({ block: "nearest" });
    this.find("readout").textContent = `${mark}: ${message}`;
  }
}

const data = JSON.parse(document.getElementById("data").textContent);
const picture = document.getElementById("picture");
const values = document.getElementById("values");
for (const element of document.querySelectorAll("[data-scripted]")) element.hidden = false;
document.body.classList.add("scripted");
picture.decode().then(() => {
  const page = new Page(data);
  const others = [...document.querySelectorAll("img[data-frame], img[data-place]")];
  const readied = [values, ...others].map((image) => image.decode());
  readied[0].then(() => page.setValues(new Values(data, values)));
  Promise.allSettled(readied).then(() => {
    page.drawThumbs();
    page.viewer.redraw();
    document.body.classList.add("ready");
  });
});
