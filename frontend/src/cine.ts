// A run as a film: frames fetched as stored, grey values turned into a picture, scrubbed, played, with an overlay to draw on.

import type { RunItem } from "./api.js";
import { announce, el, labelled, show } from "./dom.js";

const HELD_BYTES = 250_000_000;
const USUAL_FRAME_MS = 67;
const SVG = "http://www.w3.org/2000/svg";

/** Make an SVG element. */
export function svg(name: string, attributes: Readonly<Record<string, string | number>> = {}, ...children: readonly Node[]): SVGElement {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, String(value));
  made.append(...children);
  return made;
}

export class Cine {
  readonly whole: HTMLElement;
  readonly overlay = svg("svg", { class: "overlay", "aria-hidden": "true" }) as SVGSVGElement;
  readonly stage = el("div", { class: "stage", tabindex: 0, role: "application" });
  private readonly canvas = el("canvas");
  private readonly frames = el("input", { type: "range", min: 1, max: 1, step: 1 });
  private readonly centre = el("input", { type: "range", min: 0, max: 255, step: 1 });
  private readonly width = el("input", { type: "range", min: 1, max: 255, step: 1 });
  private readonly inverted = el("input", { type: "checkbox" });
  private readonly zoom = el("input", { type: "range", min: 100, max: 400, step: 25, value: 100 });
  private readonly player = el("button", { type: "button", class: "quiet" }, "Play");
  private readonly where = el("span", { class: "soft", role: "status" });
  private readonly held = new Map<string, Uint8Array | Uint16Array>();
  private run: RunItem | null = null;
  private shown = 0;
  private wanted = 0;
  private busy = false;
  private playing = 0;

  constructor(
    private readonly base: string,
    private readonly changed: (frame: number) => void,
    private readonly resized: () => void,
  ) {
    this.frames.addEventListener("input", () => this.go(Number(this.frames.value)));
    for (const one of [this.centre, this.width, this.inverted]) one.addEventListener("input", () => this.paint());
    this.zoom.addEventListener("input", () => this.size());
    this.player.addEventListener("click", () => (this.playing ? this.stop() : this.play()));
    const step = (by: number, words: string, sign: string): HTMLElement =>
      el("button", { type: "button", class: "quiet", "aria-label": words, onclick: () => this.step(by) }, sign);
    const reset = el("button", { type: "button", class: "quiet", onclick: () => this.window() }, "Usual grey");
    const sheet = el("div", { class: "sheetlike" }, this.canvas, this.overlay);
    this.stage.append(sheet);
    this.whole = el(
      "div",
      { class: "cine" },
      this.stage,
      el("div", { class: "line controls" }, this.player, step(-1, "One frame back", "‹"), labelled("Frame", this.frames), step(1, "One frame on", "›"), this.where),
      el(
        "div",
        { class: "line controls" },
        labelled("Brightness", this.centre),
        labelled("Contrast", this.width),
        el("label", { class: "check" }, this.inverted, "Invert"),
        labelled("Size", this.zoom),
        reset,
      ),
    );
  }

  get frame(): number {
    return this.shown;
  }

  get item(): RunItem | null {
    return this.run;
  }

  /** Show a run at a frame. */
  open(run: RunItem, frame: number): void {
    this.stop();
    const isNew = this.run?.name !== run.name;
    this.run = run;
    this.canvas.width = run.columns;
    this.canvas.height = run.rows;
    this.overlay.setAttribute("viewBox", `0 0 ${run.columns} ${run.rows}`);
    this.frames.max = String(run.frames);
    if (isNew) this.window();
    this.size();
    this.shown = 0;
    this.go(frame);
  }

  /** Where on the image a pointer is: row, column, from 0 at the middle of the first pixel. */
  place(event: PointerEvent): [number, number] {
    const box = this.canvas.getBoundingClientRect();
    const row = ((event.clientY - box.top) / box.height) * this.canvas.height - 0.5;
    const column = ((event.clientX - box.left) / box.width) * this.canvas.width - 0.5;
    return [row, column];
  }

  /** How many pixels of the image one pixel of the screen is. */
  get perScreen(): number {
    return this.canvas.width / Math.max(this.canvas.getBoundingClientRect().width, 1);
  }

  go(frame: number): void {
    if (!this.run) return;
    this.wanted = Math.min(Math.max(frame, 1), this.run.frames);
    if (!this.busy) void this.next();
  }

  step(by: number): void {
    this.stop();
    this.go((this.busy ? this.wanted : this.shown) + by);
  }

  /** Grey values back to what the run is usually seen with. */
  private window(): void {
    const run = this.run;
    if (!run) return;
    this.centre.max = this.width.max = String(run.most);
    // Brighter to the right: the middle of the window goes down as the slider goes up.
    this.centre.value = String(run.most - Math.round((run.low + run.high) / 2));
    this.width.value = String(run.most - (run.high - run.low) + 1);
    this.inverted.checked = run.inverted;
    this.paint();
  }

  private size(): void {
    const { run } = this;
    if (!run) return;
    // At its usual size the whole frame is seen; larger, it scrolls.
    const sheet = this.stage.firstElementChild as HTMLElement;
    sheet.style.width = `calc(min(100%, ${(76 * run.columns) / run.rows}vh) * ${Number(this.zoom.value) / 100})`;
    this.zoom.setAttribute("aria-valuetext", `${this.zoom.value} %`);
    this.resized();
  }

  private play(): void {
    if (!this.run) return;
    this.player.textContent = "Stop";
    const every = Math.max(this.run.frame_ms ?? USUAL_FRAME_MS, 20);
    this.playing = window.setInterval(() => {
      if (this.run && !this.busy) this.go((this.shown % this.run.frames) + 1);
    }, every);
  }

  stop(): void {
    clearInterval(this.playing);
    this.playing = 0;
    this.player.textContent = "Play";
  }

  private async next(): Promise<void> {
    this.busy = true;
    try {
      while (this.run && this.wanted !== this.shown) {
        const { run, wanted } = this;
        await this.fetched(run, wanted);
        if (this.run !== run) continue;
        this.shown = wanted;
        this.frames.value = String(wanted);
        this.frames.setAttribute("aria-valuetext", `${wanted} of ${run.frames}`);
        this.where.textContent = `${wanted} / ${run.frames}`;
        this.paint();
        this.changed(wanted);
      }
    } catch (error) {
      this.stop();
      this.wanted = this.shown;
      announce(String(error));
      show(this.where, `frame not read`);
    } finally {
      this.busy = false;
    }
  }

  private async fetched(run: RunItem, frame: number): Promise<Uint8Array | Uint16Array> {
    const key = `${run.name}/${frame}`;
    const there = this.held.get(key);
    if (there) return there;
    const answer = await fetch(`${this.base}/runs/${run.name}/frames/${frame}`);
    if (!answer.ok) throw new Error(`frame ${frame} could not be read`);
    const bytes = await answer.arrayBuffer();
    const grey = run.bytes_per_pixel === 1 ? new Uint8Array(bytes) : new Uint16Array(bytes);
    const room = Math.max(Math.floor(HELD_BYTES / Math.max(grey.byteLength, 1)), 4);
    while (this.held.size >= room) this.held.delete([...this.held.keys()][0] ?? "");
    this.held.set(key, grey);
    return grey;
  }

  /** Turn grey values into the picture. */
  private paint(): void {
    const run = this.run;
    const grey = run && this.held.get(`${run.name}/${this.shown}`);
    const pen = this.canvas.getContext("2d");
    if (!run || !grey || !pen) return;
    const centre = run.most - Number(this.centre.value);
    const width = Math.max(run.most + 1 - Number(this.width.value), 1);
    const table = new Uint8ClampedArray(run.most + 1);
    for (let value = 0; value <= run.most; value += 1) {
      const share = (255 * (value - centre + width / 2)) / width;
      table[value] = this.inverted.checked ? 255 - Math.min(Math.max(share, 0), 255) : share;
    }
    const picture = pen.createImageData(run.columns, run.rows);
    const pixels = new Uint32Array(picture.data.buffer);
    for (let k = 0; k < pixels.length; k += 1) {
      const level = table[grey[k] ?? 0] ?? 0;
      pixels[k] = 0xff000000 | (level << 16) | (level << 8) | level;
    }
    pen.putImageData(picture, 0, 0);
  }
}
