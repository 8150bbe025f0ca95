// The photo with the marked displays on it: zoom, pan, drawing, dragging corners by mouse, finger and keys.
import { make } from "./desk.js";

const NAMES = ["top left", "top right", "bottom right", "bottom left"];
const LEAST = 6; // px of the photo: anything smaller was a click
const FAR = 0.02, NEAR = 24;

export class Board {
  /**
   * `told` is called as the user works: select(id or null), draw(corners), move(id, corners, what, done).
   * Corners are in pixels of the photo, clockwise from the digits' own top left.
   */
  constructor(stage, told) {
    this.stage = stage;
    this.photo = stage.querySelector("img");
    this.marks = stage.querySelector("svg");
    this.told = told;
    this.size = [1, 1];
    this.view = { x: 0, y: 0, scale: 1 };
    this.displays = [];
    this.chosen = null;
    this.hand = false;
    this.parts = new Map();
    this.pointers = new Map();
    this.act = null;
    this.band = make("rect", { class: "band", visibility: "hidden" });
    this.marks.append(this.band);
    stage.addEventListener("pointerdown", (event) => this.#down(event));
    stage.addEventListener("pointermove", (event) => this.#move(event));
    for (const end of ["pointerup", "pointercancel"]) stage.addEventListener(end, (event) => this.#up(event));
    stage.addEventListener("wheel", (event) => this.#wheel(event), { passive: false });
    stage.addEventListener("contextmenu", (event) => event.preventDefault());
    stage.addEventListener("keydown", (event) => this.#key(event));
    new ResizeObserver(() => (this.fitted ? this.fit() : this.#place())).observe(stage);
  }

  /** Show another photo; `size` is [width, height] upright. */
  show(address, name, size) {
    this.photo.src = address;
    this.photo.alt = `Photo ${name}`;
    const same = size[0] === this.size[0] && size[1] === this.size[1];
    this.size = size;
    this.photo.style.width = `${size[0]}px`;
    this.photo.style.height = `${size[1]}px`;
    if (!same) this.fit();
  }

  /** Show these displays ({id, corners, label}), one of them chosen. */
  draw(displays, chosen) {
    this.displays = displays;
    this.chosen = chosen;
    const known = new Set(displays.map((display) => display.id));
    for (const [id, part] of this.parts) if (!known.has(id)) part.group.remove(), this.parts.delete(id);
    for (const display of displays) if (!this.parts.has(display.id)) this.parts.set(display.id, this.#part(display.id));
    this.#place();
  }

  fit() {
    const { clientWidth: width, clientHeight: height } = this.stage;
    const scale = Math.min(width / this.size[0], height / this.size[1]) || 1;
    this.view = { scale, x: (width - this.size[0] * scale) / 2, y: (height - this.size[1] * scale) / 2 };
    this.fitted = true;
    this.#place();
  }

  /** Zoom by a factor about the selected display, which comes to the middle, or about the middle of what is seen. */
  zoomIn(factor) {
    const corners = this.displays.find((display) => display.id === this.chosen)?.corners;
    if (corners && factor > 1) {
      const [x, y] = [0, 1].map((axis) => corners.reduce((sum, point) => sum + point[axis], 0) / 4);
      const { scale } = this.view;
      this.view = { scale, x: this.stage.clientWidth / 2 - x * scale, y: this.stage.clientHeight / 2 - y * scale };
    }
    this.zoom(factor);
  }

  /** Zoom by a factor about a point of the stage (its middle by default). */
  zoom(factor, x = this.stage.clientWidth / 2, y = this.stage.clientHeight / 2) {
    const scale = Math.min(NEAR, Math.max(FAR, this.view.scale * factor));
    const by = scale / this.view.scale;
    this.view = { scale, x: x - (x - this.view.x) * by, y: y - (y - this.view.y) * by };
    this.fitted = false;
    this.#place();
  }

  pan(dx, dy) {
    this.view.x += dx;
    this.view.y += dy;
    this.fitted = false;
    this.#place();
  }

  /** Give a box for a new display in the middle of what is seen. */
  middle() {
    const [x, y] = this.#toPhoto(this.stage.clientWidth / 2, this.stage.clientHeight / 2);
    const width = Math.min(this.size[0] / 2, 160 / this.view.scale), height = Math.min(this.size[1] / 2, 80 / this.view.scale);
    return this.#box(x - width / 2, y - height / 2, x + width / 2, y + height / 2);
  }

  setHand(on) {
    this.hand = on;
    this.stage.classList.toggle("hand", on);
  }

  // --- drawing what is there

  #part(id) {
    const polygon = make("polygon", { tabindex: "0", role: "button", "data-id": id });
    const label = make("text");
    const corners = NAMES.map((name, index) => {
      const reach = make("circle", { class: "reach", r: "9", "data-id": id, "data-corner": String(index) });
      const dot = make("circle", {
        class: index === 0 ? "first" : null, r: "7", tabindex: "0", role: "button", "data-id": id, "data-corner": String(index),
      });
      return { reach, dot, name };
    });
    const group = make("g", {}, polygon, label, ...corners.flatMap(({ reach, dot }) => [reach, dot]));
    polygon.addEventListener("focus", () => this.chosen !== id && this.told.select(id));
    this.marks.append(group);
    return { group, polygon, label, corners };
  }

  #place() {
    const { x, y, scale } = this.view;
    this.photo.style.transform = `translate(${x}px, ${y}px) scale(${scale})`;
    this.photo.classList.toggle("pixels", scale >= 3);
    for (const display of this.displays) {
      const part = this.parts.get(display.id);
      const points = display.corners.map(([px, py]) => [x + px * scale, y + py * scale]);
      const chosen = display.id === this.chosen;
      part.polygon.setAttribute("points", points.map((point) => point.join(",")).join(" "));
      part.polygon.classList.toggle("chosen", chosen);
      part.polygon.setAttribute("aria-label", `${display.label}${chosen ? ", selected" : ""}; arrow keys move it`);
      const room = Math.max(...points.map((point) => point[0])) - Math.min(...points.map((point) => point[0]));
      part.label.textContent = chosen || room > 5 * display.label.length ? display.label : "";
      const left = Math.min(...points.map((point) => point[0])), top = Math.min(...points.map((point) => point[1]));
      const covers = (other) => other !== display && this.#covers(other, left + 4, top - 22);
      const below = this.displays.some(covers) ? Math.max(...points.map((point) => point[1])) + 20 : top - 8;
      part.label.setAttribute("x", left);
      part.label.setAttribute("y", below);
      part.corners.forEach(({ reach, dot, name }, index) => {
        for (const circle of [reach, dot]) {
          circle.setAttribute("cx", points[index][0]);
          circle.setAttribute("cy", points[index][1]);
          circle.setAttribute("visibility", chosen ? "visible" : "hidden");
        }
        const [px, py] = display.corners[index];
        dot.setAttribute("aria-label", `Corner ${name} of ${display.label}: ${px}, ${py}; arrow keys move it`);
      });
      if (chosen) this.marks.append(...(part.group.contains(document.activeElement) ? [] : [part.group]));
    }
  }

  /** Whether a display's box lies over a place of the stage. */
  #covers(display, x, y) {
    const [px, py] = this.#toPhoto(x, y);
    const xs = display.corners.map((point) => point[0]), ys = display.corners.map((point) => point[1]);
    return px > Math.min(...xs) && px < Math.max(...xs) && py > Math.min(...ys) && py < Math.max(...ys);
  }

  #toPhoto(x, y) {
    return [(x - this.view.x) / this.view.scale, (y - this.view.y) / this.view.scale];
  }

  #inside([x, y]) {
    return [Math.min(this.size[0], Math.max(0, Math.round(x))), Math.min(this.size[1], Math.max(0, Math.round(y)))];
  }

  #box(x0, y0, x1, y1) {
    const [left, right] = [Math.min(x0, x1), Math.max(x0, x1)], [top, bottom] = [Math.min(y0, y1), Math.max(y0, y1)];
    return [[left, top], [right, top], [right, bottom], [left, bottom]].map((point) => this.#inside(point));
  }

  // --- pointers

  #at(event) {
    const box = this.stage.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  #down(event) {
    const place = this.#at(event);
    this.stage.setPointerCapture(event.pointerId);
    this.pointers.set(event.pointerId, place);
    if (this.pointers.size === 2) return this.#pinch();
    if (this.pointers.size > 2) return;
    const { id, corner } = event.target.dataset ?? {};
    const from = this.#toPhoto(...place);
    if (this.hand || event.button !== 0 || event.altKey) this.act = { kind: "pan", last: place };
    else if (corner !== undefined) this.act = { kind: "corner", id, corner: Number(corner), from, at: this.#corners(id) };
    else if (id !== undefined && id === this.chosen) this.act = { kind: "body", id, from, at: this.#corners(id) };
    else if (id !== undefined) this.act = { kind: "pick", id, from };
    else this.act = { kind: "band", from };
    this.stage.classList.toggle("dragging", this.act.kind === "pan");
    if (event.target.focus && event.target !== this.photo && event.target.tabIndex >= 0) event.target.focus({ preventScroll: true });
    else this.stage.focus({ preventScroll: true });
    event.preventDefault();
  }

  #move(event) {
    if (!this.pointers.has(event.pointerId) || !this.act) return;
    const place = this.#at(event);
    this.pointers.set(event.pointerId, place);
    const act = this.act, to = this.#toPhoto(...place);
    if (act.kind === "pinch") return this.#pinched();
    if (act.kind === "pan") {
      this.pan(place[0] - act.last[0], place[1] - act.last[1]);
      act.last = place;
    } else if (act.kind === "corner" || act.kind === "body") {
      act.moved = true;
      this.told.move(act.id, this.#moved(act, to[0] - act.from[0], to[1] - act.from[1]), act.kind, false);
    } else if (act.kind === "band") {
      act.to = to;
      const [left, top] = [Math.min(act.from[0], to[0]), Math.min(act.from[1], to[1])];
      const { x, y, scale } = this.view;
      this.band.setAttribute("visibility", "visible");
      this.band.setAttribute("x", x + left * scale);
      this.band.setAttribute("y", y + top * scale);
      this.band.setAttribute("width", Math.abs(to[0] - act.from[0]) * scale);
      this.band.setAttribute("height", Math.abs(to[1] - act.from[1]) * scale);
    }
  }

  #up(event) {
    if (!this.pointers.delete(event.pointerId)) return;
    const act = this.act;
    this.stage.classList.remove("dragging");
    if (act?.kind === "pinch") {
      if (this.pointers.size === 0) this.act = null;
      return;
    }
    this.act = null;
    this.band.setAttribute("visibility", "hidden");
    if (!act || event.type === "pointercancel") return;
    if (act.kind === "pick") this.told.select(act.id);
    else if (act.kind === "band") {
      const big = act.to && Math.abs(act.to[0] - act.from[0]) >= LEAST && Math.abs(act.to[1] - act.from[1]) >= LEAST;
      if (big) this.told.draw(this.#box(...act.from, ...act.to));
      else this.told.select(null);
    } else if (act.moved) this.told.move(act.id, this.#corners(act.id), act.kind, true);
  }

  #corners(id) {
    return this.displays.find((display) => display.id === id).corners;
  }

  #moved(act, dx, dy) {
    if (act.kind === "corner") return act.at.map((point, index) => (index === act.corner ? this.#inside([point[0] + dx, point[1] + dy]) : point));
    const xs = act.at.map((point) => point[0]), ys = act.at.map((point) => point[1]);
    const stepX = Math.round(Math.min(this.size[0] - Math.max(...xs), Math.max(-Math.min(...xs), dx)));
    const stepY = Math.round(Math.min(this.size[1] - Math.max(...ys), Math.max(-Math.min(...ys), dy)));
    return act.at.map(([x, y]) => this.#inside([x + stepX, y + stepY]));
  }

  #pinch() {
    if (this.act?.moved) this.told.move(this.act.id, this.act.at, this.act.kind, true);
    this.band.setAttribute("visibility", "hidden");
    const [one, two] = [...this.pointers.values()];
    this.act = { kind: "pinch", apart: Math.hypot(one[0] - two[0], one[1] - two[1]), middle: [(one[0] + two[0]) / 2, (one[1] + two[1]) / 2] };
  }

  #pinched() {
    const [one, two] = [...this.pointers.values()];
    if (!two) return;
    const apart = Math.hypot(one[0] - two[0], one[1] - two[1]), middle = [(one[0] + two[0]) / 2, (one[1] + two[1]) / 2];
    this.pan(middle[0] - this.act.middle[0], middle[1] - this.act.middle[1]);
    this.zoom(apart / (this.act.apart || 1), ...middle);
    Object.assign(this.act, { apart, middle });
  }

  #wheel(event) {
    event.preventDefault();
    const lines = event.deltaMode === 1 ? 30 : 1;
    this.zoom(Math.exp((-event.deltaY * lines) / 400), ...this.#at(event));
  }

  // --- keys: single pixels, ten with shift

  #key(event) {
    const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    const { id, corner } = event.target.dataset ?? {};
    if (!step || event.ctrlKey || event.metaKey || event.altKey) {
      if ((event.key === "Enter" || event.key === " ") && id) {
        event.preventDefault();
        this.told.select(id);
      }
      return;
    }
    event.preventDefault();
    event.stopPropagation();
    const far = event.shiftKey ? 10 : 1;
    if (id === undefined) return this.pan(-step[0] * 40 * far, -step[1] * 40 * far);
    const act = { kind: corner === undefined ? "body" : "corner", corner: Number(corner), at: this.#corners(id) };
    this.told.move(id, this.#moved(act, step[0] * far, step[1] * far), "key", true);
  }
}
