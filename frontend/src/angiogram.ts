// The angiogram: a run as a film, the vessel clicked on one working frame, the second view guided by the first, measured, kept.

import type { AngiogramView, BandView, Me, MeasureView, RunItem, SecondView, TraceView } from "./api.js";
import { Cine } from "./cine.js";
import { announce, el, labelled, report, select, show } from "./dom.js";
import { Measurement, rows } from "./measurement.js";
import { blank, fromTable, toTable, type Marks } from "./marks.js";
import { get, send, wordsOf } from "./net.js";
import { shell } from "./shell.js";
import { isEmpty, Tracer, type Mode } from "./tracer.js";

const VIEWS = ["First view", "Second view"] as const;
const MODES: readonly (readonly [Mode, string])[] = [
  ["vessel", "the vessel"],
  ["branch", "a branch"],
  ["catheter", "the guide"],
  ["draw", "a path by hand"],
];
const SIZES = ["5", "6", "7", "8"];

/** One view: its marks, what came back for them, and what it looked like before. */
interface Sight {
  marks: Marks | null;
  trace: TraceView | null;
  asked: number;
  before: string[];
}

export async function angiogram(me: Me, caseId: string): Promise<void> {
  const base = `/api/cases/${caseId}/angiogram`;
  const view = await get<AngiogramView>(base);
  const main = shell(me, { caseId, section: "angiogram" }, view.title, view.invented);
  new Page(me, caseId, base, view, main).begin();
}

class Page {
  private readonly sights: [Sight, Sight] = [empty(), empty()];
  private at: 0 | 1 = 0;
  private mode: Mode = "vessel";
  private bands: readonly BandView[] = [];
  private readonly cine: Cine;
  private readonly tracer: Tracer;
  private readonly trouble = el("p", { class: "trouble", role: "alert" });
  private readonly doing = el("p", { class: "doing soft", role: "status" });
  private readonly strip = el("figure", { class: "measured" });
  private readonly facts = el("dl", { class: "facts" });
  private readonly doubts = el("ul", { class: "not" });
  private readonly measurement: Measurement;
  private readonly runs = el("section", { "aria-label": "Runs" });
  private readonly place = el("input", { type: "range", min: 0, max: 0, step: 1 });
  private readonly along = labelled("Place along the first view, whose band is shown", this.place);
  private readonly branchName = el("input", { value: "branch 1", maxlength: 60 });
  private readonly size = select(SIZES.map((one) => ({ words: `${one} French`, value: one })), "6");
  private readonly spine = select(
    [{ words: "not said", value: "" }, { words: "on the left of the image", value: "left" }, { words: "on the right of the image", value: "right" }],
    "",
  );
  private readonly run = el("select");
  private readonly switches: HTMLInputElement[] = [];
  private readonly bench = el("div", { class: "bench" });

  constructor(
    private readonly me: Me,
    private readonly caseId: string,
    private readonly base: string,
    private view: AngiogramView,
    private readonly main: HTMLElement,
  ) {
    this.cine = new Cine(base, () => this.tracer?.draw(), () => this.tracer?.draw());
    this.tracer = new Tracer(this.cine, {
      mode: () => this.mode,
      marks: () => this.sight.marks,
      trace: () => this.sight.trace,
      bands: () => (this.at === 1 ? this.shownBands() : []),
      pointed: () => (this.at === 0 && this.bands.length ? (this.chosenBand()?.first ?? null) : null),
      branchName: () => this.branchName.value.trim() || "branch",
      may: () => this.mayMark(),
      began: () => this.remember(),
      changed: () => this.changed(),
      back: () => this.back(),
    });
    this.measurement = new Measurement(me, caseId, base, view, {
      marked: () => this.marked(),
      doing: (words) => (this.doing.textContent = words),
      took: (found) => this.tookMeasure(found),
    });
    this.place.addEventListener("input", () => this.tracer.draw());
    this.run.addEventListener("change", () => this.chooseRun(this.run.value));
    this.size.addEventListener("change", () => this.set((marks) => (marks.catheter.size_fr = Number(this.size.value))));
    this.spine.addEventListener("change", () => this.set((marks) => (marks.spine = this.spine.value as Marks["spine"])));
  }

  private get sight(): Sight {
    return this.sights[this.at];
  }

  begin(): void {
    this.takeUp();
    const radios = (name: string, legend: string, words: readonly string[], chosen: number, pick: (k: number) => void): HTMLElement => {
      const set = el("fieldset", { class: "switch" }, el("legend", {}, legend));
      words.forEach((one, k) => {
        const input = el("input", { type: "radio", name, value: k, checked: k === chosen, onchange: () => pick(k) });
        if (name === "view") this.switches.push(input);
        set.append(el("label", { class: "check" }, input, one));
      });
      return set;
    };
    const quiet = (words: string, act: () => void): HTMLElement => el("button", { type: "button", class: "quiet", onclick: act }, words);
    show(
      this.bench,
      el(
        "div",
        { class: "line" },
        radios("view", "Shown", VIEWS, 0, (k) => this.look(k === 1 ? 1 : 0)),
        labelled("Run", this.run),
        radios("mode", "A click marks", MODES.map((one) => one[1]), 0, (k) => (this.mode = MODES[k]?.[0] ?? "vessel")),
      ),
      this.trouble,
      this.cine.whole,
      el(
        "div",
        { class: "line" },
        quiet("Take the last mark back", () => this.back()),
        quiet("Clear this view", () => this.clear()),
        quiet("To the marked frame", () => this.toFrame()),
      ),
      this.doing,
      el("p", { class: "soft note" }, "Click along the vessel from the guide's tip: the line follows it. Drag a click, the line or an edge to put it right."),
      this.along,
      this.strip,
    );
    const side = el(
      "div",
      { class: "beside" },
      this.runs,
      el("section", { "aria-label": "This view" }, el("h2", {}, "This view"), this.facts, this.doubts),
      el(
        "section",
        { class: "settings" },
        el("h2", {}, "Calibrate and name"),
        labelled("Name of the next branch", this.branchName, "mark the same branches in both views"),
        labelled("Guide marked on this frame", this.size, "two clicks or more along its shaft give the scale; without them it comes from the file"),
        labelled("The spine is seen", this.spine),
      ),
      el("section", {}, el("h2", {}, "The vessel in space"), this.measurement.button, this.measurement.outcome),
      this.measurement.working,
    );
    show(this.main, this.bench, side);
    this.drawRuns();
    this.look(0);
    void this.measurement.drawWorking();
  }

  // Runs

  private drawRuns(): void {
    const { runs } = this.view;
    const items = runs.map((one) => {
      const facts = el("dl", { class: "facts" }, ...rows(one.facts));
      const item = el("li", {}, el("details", {}, el("summary", {}, `${one.name}: ${one.problem || one.view}`), facts));
      if (this.me.may_change) {
        const out = (): void => void this.act(async () => this.took(await send<AngiogramView>("POST", `${this.base}/runs/${one.name}/take-out`)));
        item.append(el("button", { type: "button", class: "quiet", onclick: out, "aria-label": `Take out ${one.name}` }, "Take out"));
      }
      return item;
    });
    const made: Node[] = [el("h2", {}, "Runs"), el("ul", { class: "runs" }, ...items)];
    if (!runs.length) made.push(el("p", { class: "empty" }, "No run yet. Bring one in, or practise on an invented one."));
    if (this.me.may_change) {
      const files = el("input", { type: "file", multiple: true, accept: ".dcm,application/dicom" });
      files.addEventListener("change", () => void this.act(() => this.bring([...(files.files ?? [])])));
      made.push(labelled("Bring in runs (DICOM XA)", files, "they are kept in the case's folder on this machine as they are, names in them and all"));
      const practise = (): void =>
        void this.act(async () => {
          this.doing.textContent = "Filming an invented vessel (half a minute)";
          this.took(await send<AngiogramView>("POST", `${this.base}/practice`));
        });
      made.push(el("button", { type: "button", class: "quiet", onclick: practise }, "Practise on an invented angiogram"));
    }
    show(this.runs, ...made);
    show(this.run, ...this.readable().map((one) => el("option", { value: one.name }, `${one.name} (${one.view})`)));
    this.bench.hidden = this.readable().length === 0;
  }

  private readable(): readonly RunItem[] {
    return this.view.runs.filter((one) => one.frames > 0);
  }

  private async bring(files: readonly File[]): Promise<void> {
    for (const file of files) {
      const plain = file.name.replace(/\.dcm$/i, "").replace(/[^A-Za-z0-9._-]+/g, "-").replace(/^[^A-Za-z0-9]+/, "").slice(0, 60) || "run";
      this.doing.textContent = `Bringing in ${file.name}`;
      this.took(await send<AngiogramView>("PUT", `${this.base}/runs/${plain}.dcm`, file));
    }
  }

  private took(view: AngiogramView): void {
    this.view = view;
    this.doing.textContent = "";
    for (const sight of this.sights) if (sight.marks && !this.item(sight.marks.file)) Object.assign(sight, empty());
    this.drawRuns();
    this.look(this.at);
    announce(`${view.runs.length} runs`);
  }

  private item(name: string): RunItem | undefined {
    return this.readable().find((one) => one.name === name);
  }

  private chooseRun(name: string): void {
    const item = this.item(name);
    if (!item) return;
    Object.assign(this.sight, empty(), { marks: blank(name, Math.ceil(item.frames / 2)) });
    this.forget();
    this.look(this.at);
  }

  // Looking

  private look(at: 0 | 1): void {
    this.at = at;
    this.switches.forEach((one, k) => (one.checked = k === at));
    const runs = this.readable();
    const other = this.sights[at === 0 ? 1 : 0].marks?.file;
    const usual = runs.find((one) => one.name !== other) ?? runs[0];
    if (!usual) return;
    this.sight.marks ??= blank(usual.name, Math.ceil(usual.frames / 2));
    const marks = this.sight.marks;
    const item = this.item(marks.file);
    if (!item) return;
    this.run.value = marks.file;
    this.size.value = String(marks.catheter.size_fr);
    this.spine.value = marks.spine;
    this.cine.open(item, marks.frame);
    this.drawFacts();
    if (marks.clicks.length > 1 && !this.sight.trace) void this.trace();
    if (at === 1) void this.second();
    this.along.hidden = !this.bands.length;
    this.tracer.draw();
  }

  private toFrame(): void {
    if (this.sight.marks) this.cine.go(this.sight.marks.frame);
  }

  private mayMark(): string {
    const { marks } = this.sight;
    if (marks && !isEmpty(marks) && marks.frame !== this.cine.frame) return this.say(`The marks are on frame ${marks.frame}: go back to it, or clear this view.`);
    return "";
  }

  private say(words: string): string {
    this.trouble.textContent = words;
    return words;
  }

  // Marking

  private remember(): void {
    this.trouble.textContent = "";
    this.sight.before.push(JSON.stringify(this.sight.marks));
  }

  private back(): void {
    const kept = this.sight.before.pop();
    if (kept === undefined) return;
    this.sight.marks = JSON.parse(kept) as Marks;
    this.changed();
  }

  private clear(): void {
    const { marks } = this.sight;
    if (!marks) return;
    this.remember();
    this.sight.marks = blank(marks.file, this.cine.frame);
    this.changed();
  }

  private set(change: (marks: Marks) => void): void {
    const { marks } = this.sight;
    if (!marks) return;
    this.remember();
    change(marks);
    this.changed();
  }

  private changed(): void {
    this.forget();
    const { marks } = this.sight;
    if (marks && marks.clicks.length > 1) void this.trace();
    else {
      this.sight.trace = null;
      this.sight.asked += 1;
      this.drawFacts();
    }
    const next = this.view.branches.find((name) => !marks?.branch.some((one) => one.name === name));
    this.branchName.value = next ?? `branch ${(marks?.branch.length ?? 0) + 1}`;
    if (this.at === 1) void this.second();
    else this.bands = [];
    this.along.hidden = !this.bands.length;
    this.hold();
    this.tracer.draw();
  }

  /** What was measured no longer is what is marked. */
  private forget(): void {
    this.measurement.forget();
  }

  /** Follow the vessel: roughly at once, then as measured. */
  private async trace(): Promise<void> {
    const { sight, at } = this;
    const asked = ++sight.asked;
    if (!sight.marks) return;
    const run = toTable(sight.marks);
    try {
      for (const at_once of [true, false]) {
        this.doing.textContent = at_once ? "Following the vessel" : "Measuring its edges";
        const found = await send<TraceView>("POST", `${this.base}/trace`, { run, at_once });
        if (asked !== sight.asked) return;
        sight.trace = found;
        if (at === this.at) {
          if (!at_once) this.drawFacts();
          this.tracer.draw();
        }
      }
      this.doing.textContent = "";
      document.documentElement.dataset[`traced${at}`] = String(asked);
      if (this.at === 1 && at === 0) void this.second();
    } catch (error) {
      if (asked !== sight.asked) return;
      sight.trace = null;
      this.doing.textContent = "";
      this.trouble.textContent = wordsOf(error);
      this.tracer.draw();
    }
  }

  private drawFacts(): void {
    const { trace } = this.sight;
    show(this.facts, ...rows(trace?.facts ?? []));
    show(this.doubts, ...(trace?.doubts ?? []).map((one) => el("li", {}, one)));
    show(this.strip);
    if (trace?.strip) this.strip.append(report(trace.strip));
  }

  // The second view

  private async second(): Promise<void> {
    const [first, second] = this.sights;
    if (!first.marks || first.marks.clicks.length < 2 || !second.marks) return void (this.bands = []);
    const { file, frame, clicks, branch, catheter } = toTable(second.marks);
    try {
      const found = await send<SecondView>("POST", `${this.base}/second`, {
        first: toTable(first.marks),
        second: { file, frame, clicks, branch, catheter },
      });
      this.bands = found.bands;
      const places = found.bands.filter((one) => !one.is_mark);
      this.place.max = String(places.length - 1);
      this.along.hidden = false;
      document.documentElement.dataset["bands"] = String(found.bands.length);
      this.tracer.draw();
    } catch (error) {
      this.bands = [];
      this.trouble.textContent = wordsOf(error);
    }
  }

  private chosenBand(): BandView | undefined {
    return this.bands.filter((one) => !one.is_mark)[Number(this.place.value)];
  }

  /** The bands of marks that are still to be made here, and of the place chosen along the first view. */
  private shownBands(): readonly BandView[] {
    const { marks } = this.sights[1];
    const count = marks?.clicks.length ?? 0;
    const done = new Set([...(count ? ["start"] : []), ...(count > 1 ? ["end"] : []), ...(marks?.branch ?? []).map((one) => one.name)]);
    const chosen = this.chosenBand();
    this.place.setAttribute("aria-valuetext", chosen?.name ?? "");
    return [...this.bands.filter((one) => one.is_mark && !done.has(one.name)), ...(chosen ? [chosen] : [])];
  }

  // The measurement

  private marked(): unknown[] {
    return this.sights.flatMap((one) => (one.marks && one.marks.clicks.length > 1 ? [toTable(one.marks)] : []));
  }

  private tookMeasure(found: MeasureView): void {
    found.views.forEach((one, k) => {
      const sight = this.sights[k];
      if (sight) sight.trace = one;
    });
    show(this.strip, report(found.strip));
    this.tracer.draw();
  }

  // Holding on to what is marked while the page is away

  private hold(): void {
    sessionStorage.setItem(`backstay-marks-${this.caseId}`, JSON.stringify(this.sights.map((one) => one.marks)));
  }

  private takeUp(): void {
    const kept = sessionStorage.getItem(`backstay-marks-${this.caseId}`);
    const marks = kept ? (JSON.parse(kept) as (Marks | null)[]) : (this.view.kept ?? []).map(fromTable);
    marks.forEach((one, k) => {
      const sight = this.sights[k];
      if (sight && one && this.item(one.file)) sight.marks = one;
    });
  }

  private async act(work: () => Promise<void>): Promise<void> {
    this.trouble.textContent = "";
    try {
      await work();
    } catch (error) {
      this.doing.textContent = "";
      this.trouble.textContent = wordsOf(error);
      if (this.bench.hidden) this.runs.append(el("p", { class: "trouble", role: "alert" }, wordsOf(error)));
    }
  }
}

function empty(): Sight {
  return { marks: null, trace: null, asked: 0, before: [] };
}
