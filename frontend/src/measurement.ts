// The vessel in space: reconstructed from what is marked, with every reason to doubt it, kept as the case's, looked at anew.

import type { AngiogramView, KeptView, Me, MeasureView, Row, WorkingViews } from "./api.js";
import { announce, el, labelled, select, show } from "./dom.js";
import { get, send, wordsOf } from "./net.js";

export interface Hears {
  /** The runs that are marked, as the server reads them. */
  marked(): unknown[];
  doing(words: string): void;
  took(found: MeasureView): void;
}

export class Measurement {
  readonly button = el("button", { type: "button", onclick: () => void this.measure() }, "Reconstruct");
  readonly outcome = el("section", { class: "outcome", "aria-label": "Measured" });
  readonly working = el("section", { class: "working", "aria-label": "Working views" });
  private result: MeasureView | null = null;
  private readonly accepted = new Set<string>();
  private mayRank: boolean;

  constructor(
    private readonly me: Me,
    private readonly caseId: string,
    private readonly base: string,
    private readonly view: AngiogramView,
    private readonly hears: Hears,
  ) {
    this.mayRank = view.may_rank;
  }

  /** What was measured no longer is what is marked. */
  forget(): void {
    this.result = null;
    show(this.outcome);
  }

  async drawWorking(): Promise<void> {
    const made: Node[] = [el("h2", {}, "Working views")];
    if (!this.mayRank) {
      made.push(el("p", { class: "soft" }, "Ranked once the vessel is measured: from which side a sketched path is seen is not known."));
      return show(this.working, ...made);
    }
    try {
      const found = await get<WorkingViews>(`${this.base}/working-views`);
      const items = found.views.map((one) => {
        const covered = one.covered_mm ? `, ${one.covered_mm.toFixed(1)} mm may be covered` : "";
        return el("li", {}, el("b", {}, one.name), ` loses ${one.lost_mm.toFixed(1)} mm (${one.lost_percent.toFixed(0)} %)${covered}`);
      });
      made.push(el("p", {}, found.what), el("ol", {}, ...items), el("ul", { class: "soft" }, ...found.notes.map((one) => el("li", {}, one))));
    } catch (error) {
      made.push(el("p", { class: "soft" }, wordsOf(error)));
    }
    show(this.working, ...made);
  }

  private body(): { run: unknown[]; accept: string[] } {
    return { run: this.hears.marked(), accept: [...this.accepted] };
  }

  private async measure(): Promise<void> {
    await this.act(async () => {
      const body = this.body();
      if (!body.run.length) throw new Error("Click along the vessel first, in one view or in both.");
      this.hears.doing("Reconstructing");
      if (!this.result) show(this.outcome, el("p", { class: "soft", role: "status" }, "Reconstructing"));
      try {
        this.result = await send<MeasureView>("POST", `${this.base}/measure`, body);
      } finally {
        this.hears.doing("");
        this.draw();
      }
      this.hears.took(this.result);
      announce("Measured");
    });
  }

  private draw(): void {
    const found = this.result;
    if (!found) return show(this.outcome);
    const made: Node[] = [el("dl", { class: "facts" }, ...rows(found.facts))];
    const doubts = found.doubts.map((one) => this.doubt(one));
    if (doubts.length) made.push(el("h3", {}, "Reasons to doubt"), el("ul", { class: "not" }, ...doubts));
    made.push(el("p", { class: "soft" }, "Diameters depend on the frame, the contrast and the calibration: look at the edges before using a number."));
    if (this.me.may_change && found.may_be_kept) made.push(this.keeping());
    show(this.outcome, ...made);
  }

  private doubt(one: MeasureView["doubts"][number]): HTMLElement {
    const item = el("li", { class: one.stops ? "stops" : "" }, one.words);
    if (!one.stops) return item;
    const take = el("input", { type: "checkbox", checked: this.accepted.has(one.doubt) });
    take.addEventListener("change", () => {
      if (take.checked) this.accepted.add(one.doubt);
      else this.accepted.delete(one.doubt);
      void this.measure();
    });
    item.append(el("label", { class: "check" }, take, "take it all the same"));
    return item;
  }

  private keeping(): HTMLElement {
    const calcium = select([...this.view.calcium, { words: "leave lesions and target as they are", value: "" }], "moderate");
    return el(
      "form",
      {
        onsubmit: (event) => {
          event.preventDefault();
          void this.act(async () => this.keep(calcium.value));
        },
      },
      labelled("Calcium of the narrowings found, by your eye", calcium, "they become the case's lesions, and the device is laid over the tightest"),
      el("button", {}, "Keep as the case's vessel"),
    );
  }

  private async keep(calcium: string): Promise<void> {
    const kept = await send<KeptView>("POST", `${this.base}/keep`, { ...this.body(), calcium: calcium || null });
    const notes = kept.notes.map((one) => el("li", {}, one));
    const on = el("a", { href: `/case/${this.caseId}/plan` }, "To the plan");
    this.outcome.append(el("div", { class: "kept", role: "status" }, el("p", {}, `Kept as ${kept.record}, its path as ${kept.path}.`), el("ul", {}, ...notes), on));
    this.mayRank = true;
    void this.drawWorking();
  }

  /** Do work; what goes wrong is said beside its button, which stands far below the frame. */
  private async act(work: () => Promise<void>): Promise<void> {
    this.outcome.querySelector(":scope > .trouble")?.remove();
    try {
      await work();
    } catch (error) {
      const said = el("p", { class: "trouble", role: "alert" }, wordsOf(error));
      this.outcome.prepend(said);
      said.scrollIntoView({ block: "nearest" });
    }
  }
}

export function rows(found: readonly Row[]): HTMLElement[] {
  return found.flatMap((one) => [el("dt", {}, one.name), el("dd", {}, one.words)]);
}
