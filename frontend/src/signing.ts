// Signing: the report as it stands, read and signed, or added to. It follows the record: what was read and is not what
// stands any more is not signed.

import type { Me, ReportView } from "./api.js";
import { el, labelled, report, show } from "./dom.js";
import { Refused, send } from "./net.js";
import { authorOf, notWritten, waitForOthers } from "./queue.js";

export class Signing {
  readonly desk = el("div", { class: "signing" });
  readonly preview = el("div", { class: "sheet report" });
  private readonly by: HTMLInputElement;
  private readonly sure = el("input", { type: "checkbox", required: true, name: "read" });
  private readonly text = el("textarea", { name: "text", rows: 3, required: true });
  private readonly button = el("button", {}, "Sign the report");
  private readonly moved = el("div", { class: "moved", role: "alert" });
  private readonly changes: string[] = [];
  private readonly left = el("div", { role: "alert" });
  private shown: ReportView | null = null;
  private isLive = true;

  /** `act` does work and says what went wrong; `again` asks for what stands. */
  constructor(
    private readonly me: Me,
    private readonly caseId: string,
    private readonly base: string,
    private readonly act: (work: () => Promise<void>) => Promise<void>,
    private readonly again: () => Promise<void>,
  ) {
    // Where the workbench has users, nobody signs as somebody else.
    this.by = el("input", { name: "by", required: true, autocomplete: "off", readonly: me.with_users, value: me.with_users ? me.name : "" });
    this.sure.addEventListener("change", () => {
      if (this.sure.checked) this.settle();
      this.allow();
    });
    show(this.preview, el("p", { class: "empty" }, "The report is being made."));
    addEventListener("storage", () => this.allow());
    this.allow();
  }

  /** What is read may be old: it is made anew, and nothing is signed meanwhile. */
  moving(changes: readonly string[]): void {
    this.changes.push(...changes);
    if (this.shown && !this.shown.signed) this.doubt("The record has changed while this page was open. The report is being made anew.");
  }

  live(up: boolean): void {
    this.isLive = up;
    this.allow();
  }

  draw(made: ReportView): void {
    const before = this.shown;
    if (before?.digest === made.digest && before.html === made.html) return this.same();
    this.shown = made;
    show(this.preview, report(made.html));
    if (!this.me.may_change) show(this.desk, this.moved, el("p", { class: "soft" }, "An operator signs."));
    else if (before?.signed !== made.signed) show(this.desk, ...(made.signed ? this.adding(made) : this.signing()));
    if (!before || made.signed) this.settle();
    else this.doubt("The report has changed while this page was open. Read it again before it is signed.");
    this.allow();
  }

  /** Nothing that the report tells has changed: what was read is what stands. */
  private same(): void {
    if (this.moved.firstChild && this.shown) this.doubt("The record was written to while this page was open; the report reads as before.");
    this.allow();
  }

  private doubt(words: string): void {
    this.sure.checked = false;
    show(this.moved, el("p", { class: "trouble" }, words), el("ul", {}, ...this.changes.map((one) => el("li", {}, one))));
    this.allow();
  }

  private settle(): void {
    this.changes.length = 0;
    show(this.moved);
  }

  /** Nothing is signed that is not live, nor while lines typed in this browser are not in the record. */
  private allow(): void {
    const author = authorOf(this.me);
    const own = notWritten(this.caseId, author);
    const others = waitForOthers(this.caseId, author);
    this.button.disabled = !this.isLive || !this.shown || own.length > 0;
    const said: HTMLElement[] = [];
    if (own.length) said.push(el("p", { class: "trouble" }, `Typed here and not in the record: ${own.join(" | ")}. `, this.toSettle()));
    if (others.length) said.push(el("p", { class: "trouble" }, `Typed here by somebody else, and not in the record: ${others.join(" | ")}. After signing it cannot be.`));
    if (this.shown?.signed) show(this.left);
    else show(this.left, ...said);
  }

  private toSettle(): HTMLElement {
    return el("a", { href: `/case/${this.caseId}/procedure` }, "Settle it before signing");
  }

  private signing(): HTMLElement[] {
    const form = el(
      "form",
      {
        onsubmit: (submit) => {
          submit.preventDefault();
          void this.act(() => this.sign());
        },
      },
      labelled("Signed by", this.by),
      el("label", { class: "check" }, this.sure, "read, and as it was"),
      this.button,
      el("p", { class: "soft note" }, "Once signed, the report can be added to and not changed."),
    );
    return [el("h2", {}, "Sign"), this.left, this.moved, form];
  }

  private async sign(): Promise<void> {
    try {
      this.draw(await send<ReportView>("POST", `${this.base}/report/sign`, { by: this.by.value, digest: this.shown?.digest ?? "" }));
    } catch (error) {
      if (error instanceof Refused && error.shape.field === "digest") this.doubt("Not signed: the report has changed since it was read.");
      else throw error;
    } finally {
      await this.again();
    }
  }

  private adding(made: ReportView): HTMLElement[] {
    const form = el(
      "form",
      {
        onsubmit: (submit) => {
          submit.preventDefault();
          void this.act(async () => {
            this.draw(await send<ReportView>("POST", `${this.base}/report/addenda`, { by: this.by.value, text: this.text.value }));
            this.text.value = "";
          });
        },
      },
      labelled("Added by", this.by),
      labelled("Addendum", this.text),
      el("button", {}, "Add to the report"),
    );
    const said = `Report ${made.digest.slice(0, 16)} is signed. It can be added to and not changed.`;
    return [el("h2", {}, "Signed"), el("p", {}, said), form];
  }
}
