// Marking a view: a click adds, a drag corrects, the keys do both. The server follows the vessel between the clicks.

import type { BandView, TraceView } from "./api.js";
import { announce } from "./dom.js";
import { Cine } from "./cine.js";
import { apart, between, nearest, overlay, type Marks, type Place } from "./marks.js";

export type Mode = "vessel" | "branch" | "catheter" | "draw";
type Grip = { kind: "click" | "shaft" | "branch"; at: number } | { kind: "edge"; side: "left" | "right"; at: number } | { kind: "draw" };

const REACH_PX = 9;
const STEPS: Readonly<Record<string, Place>> = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] };

export interface Asked {
  mode(): Mode;
  marks(): Marks | null;
  trace(): TraceView | null;
  bands(): readonly BandView[];
  pointed(): readonly number[] | null;
  branchName(): string;
  may(): string;
  began(): void;
  changed(): void;
  back(): void;
}

export class Tracer {
  private cursor: Place | null = null;
  private grip: Grip | null = null;
  private edge: { left: Place; right: Place } | null = null;

  constructor(
    private readonly cine: Cine,
    private readonly asks: Asked,
  ) {
    const { stage } = cine;
    stage.setAttribute(
      "aria-label",
      "Frame of the angiogram. Arrow keys move the cross, with Shift by ten; Enter marks; Backspace takes the last mark back; comma and full stop change the frame.",
    );
    stage.addEventListener("pointerdown", (event) => this.down(event));
    stage.addEventListener("pointermove", (event) => this.move(event));
    stage.addEventListener("pointerup", () => this.up());
    stage.addEventListener("pointercancel", () => this.up());
    stage.addEventListener("keydown", (event) => this.key(event));
    stage.addEventListener("blur", () => {
      this.cursor = null;
      this.draw();
    });
    addEventListener("resize", () => this.draw());
  }

  draw(): void {
    const marks = this.asks.marks();
    const shown = marks && (marks.frame === this.cine.frame || isEmpty(marks));
    const nodes = shown
      ? overlay(
          { marks, trace: this.asks.trace(), bands: this.asks.bands(), cursor: this.cursor, pointed: this.asks.pointed() },
          this.cine.perScreen,
        )
      : [];
    this.cine.overlay.replaceChildren(...nodes);
    if (this.edge && shown) {
      const held = { ...marks, edge: [this.edge], clicks: [], branch: [], catheter: { size_fr: 6, clicks: [] } };
      this.cine.overlay.append(...overlay({ marks: held, trace: null, bands: [], cursor: null, pointed: null }, this.cine.perScreen));
    }
  }

  /** Add a mark where the cross or the pointer is. */
  private mark(place: Place): Grip | null {
    const marks = this.asks.marks();
    const item = this.cine.item;
    if (!marks || !item) return null;
    const refused = this.asks.may();
    if (refused) {
      announce(refused);
      return null;
    }
    const at = inside(place, item.rows, item.columns);
    this.asks.began();
    if (isEmpty(marks)) marks.frame = this.cine.frame;
    const mode = this.asks.mode();
    if (mode === "branch") {
      marks.branch.push({ name: this.asks.branchName(), at });
      return { kind: "branch", at: marks.branch.length - 1 };
    }
    if (mode === "catheter") {
      marks.catheter.clicks.push(at);
      return { kind: "shaft", at: marks.catheter.clicks.length - 1 };
    }
    if (mode === "draw") {
      marks.drawn = [at];
      return { kind: "draw" };
    }
    marks.drawn = null;
    const trace = this.asks.trace();
    const line = (trace?.line ?? []) as readonly Place[];
    const found = nearest(line, at);
    const isOnLine = marks.clicks.length > 1 && found.away < REACH_PX * this.cine.perScreen && found.at > 0 && found.at < line.length - 1;
    const index = isOnLine ? between(marks.clicks, line, found.at) : marks.clicks.length;
    marks.clicks.splice(index, 0, at);
    return { kind: "click", at: index };
  }

  private down(event: PointerEvent): void {
    if (event.button !== 0) return;
    this.cine.stage.setPointerCapture(event.pointerId);
    this.cine.stop();
    const at = this.cine.place(event);
    this.grip = this.gripped(at) ?? this.mark(at);
    this.draw();
  }

  /** What of the marks lies under the pointer. */
  private gripped(at: Place): Grip | null {
    const marks = this.asks.marks();
    const mode = this.asks.mode();
    if (!marks || marks.frame !== this.cine.frame || mode === "draw" || this.asks.may()) return null;
    const reach = REACH_PX * this.cine.perScreen;
    const places = mode === "vessel" ? marks.clicks : mode === "branch" ? marks.branch.map((one) => one.at) : marks.catheter.clicks;
    const found = nearest(places, at);
    if (found.away < reach) {
      this.asks.began();
      return { kind: mode === "vessel" ? "click" : mode === "branch" ? "branch" : "shaft", at: found.at };
    }
    const trace = this.asks.trace();
    if (mode !== "vessel" || !trace || trace.at_once) return null;
    const [line, left, right] = [trace.line, trace.left, trace.right].map((one) => nearest(one as readonly Place[], at));
    const side = (left?.away ?? Infinity) < (right?.away ?? Infinity) ? "left" : "right";
    const edge = side === "left" ? left : right;
    if (!edge || !line || edge.away > 0.7 * reach || edge.away > line.away) return null;
    this.asks.began();
    this.edge = { left: (trace.left[edge.at] ?? [0, 0]) as Place, right: (trace.right[edge.at] ?? [0, 0]) as Place };
    return { kind: "edge", side, at: edge.at };
  }

  private move(event: PointerEvent): void {
    const marks = this.asks.marks();
    const { grip } = this;
    const item = this.cine.item;
    if (!marks || !grip || !item) return;
    const at = inside(this.cine.place(event), item.rows, item.columns);
    if (grip.kind === "click") marks.clicks[grip.at] = at;
    else if (grip.kind === "shaft") marks.catheter.clicks[grip.at] = at;
    else if (grip.kind === "branch") marks.branch[grip.at] = { name: marks.branch[grip.at]?.name ?? "", at };
    else if (grip.kind === "edge" && this.edge) this.edge = { ...this.edge, [grip.side]: at };
    else if (grip.kind === "draw" && marks.drawn && apart(marks.drawn[marks.drawn.length - 1] ?? at, at) > 2) marks.drawn.push(at);
    this.draw();
  }

  private up(): void {
    const marks = this.asks.marks();
    const { grip } = this;
    this.grip = null;
    if (!grip || !marks) return;
    if (grip.kind === "edge" && this.edge) {
      const set = this.edge;
      marks.edge = [...marks.edge.filter((one) => apart(one.left, set.left) > 6 && apart(one.right, set.right) > 6), set];
    }
    if (grip.kind === "draw" && marks.drawn) {
      // A path too short to be one is no path.
      if (marks.drawn.length < 5) marks.drawn = null;
      else marks.clicks = [marks.drawn[0] as Place, marks.drawn[marks.drawn.length - 1] as Place];
    }
    this.edge = null;
    this.asks.changed();
    this.draw();
  }

  private key(event: KeyboardEvent): void {
    const item = this.cine.item;
    const by = STEPS[event.key];
    if (!item || event.ctrlKey || event.altKey || event.metaKey) return;
    if (by) {
      const from = this.cursor ?? [item.rows / 2, item.columns / 2];
      const size = event.shiftKey ? 10 : 1;
      this.cursor = inside([from[0] + size * by[0], from[1] + size * by[1]], item.rows, item.columns);
      announce(`row ${Math.round(this.cursor[0])}, column ${Math.round(this.cursor[1])}`);
    } else if (event.key === "Enter" && this.cursor && this.asks.mode() !== "draw") {
      if (this.mark(this.cursor)) this.asks.changed();
    } else if (event.key === "Backspace") this.asks.back();
    else if (event.key === ",") this.cine.step(-1);
    else if (event.key === ".") this.cine.step(1);
    else return;
    event.preventDefault();
    this.draw();
  }
}

export function isEmpty(marks: Marks): boolean {
  return marks.clicks.length + marks.branch.length + marks.edge.length + marks.catheter.clicks.length === 0 && !marks.drawn;
}

function inside(place: Place, rows: number, columns: number): Place {
  const held = (value: number, most: number): number => Math.round(10 * Math.min(Math.max(value, 0), most - 1)) / 10;
  return [held(place[0], rows), held(place[1], columns)];
}
