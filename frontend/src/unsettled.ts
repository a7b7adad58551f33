// What was typed and is not in the record: unclear lines with their choices, refused ones with the reason. The oldest stands
// open, and numbers settle that one; the others take one row each.

import type { Choice } from "./api.js";
import { el, show } from "./dom.js";
import type { Line } from "./queue.js";

const MOST_CHOICES = 9;

export class Unsettled {
  readonly whole = el("div", { class: "open", role: "group", "aria-label": "To be settled" });
  private first: Line | undefined;

  constructor(private readonly does: { pick(line: Line, choice: Choice): void; letBe(line: Line): void }) {}

  draw(lines: readonly Line[]): void {
    const unclear = lines.filter((one) => one.asks);
    this.first = unclear[0];
    show(
      this.whole,
      ...unclear.map((one) => (one === this.first ? this.openOne(one) : this.folded(one))),
      ...lines.filter((one) => one.refused !== undefined).map((one) => this.refused(one)),
    );
  }

  /** Settle the oldest by the number of a choice; returns whether there was one. */
  pick(number: string): boolean {
    const choice = this.first?.asks?.choices.slice(0, MOST_CHOICES)[Number(number) - 1];
    if (!this.first || !choice) return false;
    this.does.pick(this.first, choice);
    return true;
  }

  private openOne(one: Line): HTMLElement {
    return el("div", { class: "question" }, el("p", { class: "trouble" }, said(one)), ...this.choices(one, true));
  }

  private folded(one: Line): HTMLElement {
    return el("details", { class: "question" }, el("summary", { class: "trouble" }, said(one)), ...this.choices(one, false));
  }

  private choices(one: Line, isNumbered: boolean): HTMLElement[] {
    const rows = (one.asks?.choices ?? []).slice(0, MOST_CHOICES).map((choice, n) => {
      const number = isNumbered ? [el("kbd", {}, String(n + 1)), " "] : [];
      return el("button", { type: "button", class: "pick", onclick: () => this.does.pick(one, choice) }, ...number, choice.words);
    });
    return [...rows, el("button", { type: "button", class: "pick quiet", onclick: () => this.does.letBe(one) }, "Let it be")];
  }

  private refused(one: Line): HTMLElement {
    const seen = el("button", { type: "button", class: "pick quiet", onclick: () => this.does.letBe(one) }, "Seen");
    return el("div", { class: "question refused" }, el("p", { class: "trouble", role: "alert" }, `Not written: ${one.line}. ${one.refused}`), seen);
  }
}

function said(one: Line): string {
  return `Not written yet: ${one.line}. ${one.asks?.question ?? ""}`;
}
