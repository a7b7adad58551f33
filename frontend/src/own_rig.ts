// A rig and target of the user's own.

import type { Choice, Me, PlanView, RigBody } from "./api.js";
import { el, labelled, select } from "./dom.js";
import { wordsOf } from "./net.js";

/** A rig and target of the user's own: worked out on its own, or put in place. */
export class OwnRig {
  readonly form: HTMLElement;
  private readonly progress = el("progress", { max: 1, "aria-label": "own rig worked out", hidden: true });
  private readonly trouble = el("p", { class: "trouble", role: "alert" });
  private readonly work = el("button", {}, "Work it out");

  constructor(
    me: Me,
    view: PlanView,
    private readonly does: { ask(body: RigBody): Promise<void>; put(body: RigBody): Promise<void> },
  ) {
    const { form } = view;
    const none: readonly Choice[] = [{ words: "none", value: "" }];
    const guide = select(form.guides, form.guide);
    const seat = number(form.seat_mm, 0, 60, 1);
    const extension = select([...none, ...form.extensions], form.extension);
    const depth = number(form.depth_mm, 0, form.length_mm, 1);
    const rail = select(form.wires, form.wires_in[0] ?? "");
    const buddy = select([...none, ...form.wires], form.wires_in[1] ?? "");
    const second = select([...none, ...form.wires], form.wires_in[2] ?? "");
    const device = select(form.devices, form.device);
    const from = number(form.from_mm, 0, form.length_mm, 0.5);
    const to = number(form.to_mm, 0, form.length_mm, 0.5);
    const body = (): RigBody => ({
      rig: {
        guide: guide.value,
        seat_mm: seat.valueAsNumber || 0,
        extension: extension.value ? { device: extension.value, depth_mm: depth.valueAsNumber } : null,
        wires: [rail.value, buddy.value, second.value].filter(Boolean),
      },
      target: { device: device.value, from_mm: from.valueAsNumber, to_mm: to.valueAsNumber },
    });
    const put = el("button", { type: "button", class: "quiet", onclick: () => void this.act(() => this.does.put(body())) }, "Put in place");
    const fields = el(
      "form",
      {
        onsubmit: (event) => {
          event.preventDefault();
          this.begin();
          void this.act(() => this.does.ask(body()));
        },
      },
      labelled("Guide", guide),
      labelled("Seated, mm", seat),
      labelled("Extension", extension),
      labelled("Its tip at, mm", depth),
      labelled("Rail", rail),
      labelled("Buddy wire", buddy),
      labelled("Second buddy wire", second),
      labelled("Device", device),
      labelled("From, mm", from),
      labelled("To, mm", to),
      this.trouble,
      this.work,
      this.progress,
    );
    if (me.may_change) fields.append(put);
    if (form.has_anchor_or_trap) fields.append(el("p", { class: "soft note" }, "An anchor or a trapped wire of the case is left out here."));
    this.form = el("details", { class: "own" }, el("summary", {}, "A rig of your own"), fields);
  }

  told(share: number): void {
    this.progress.value = share;
  }

  done(): void {
    this.work.disabled = false;
    this.progress.hidden = true;
  }

  failed(words: string): void {
    this.trouble.textContent = words;
    this.done();
  }

  private begin(): void {
    this.work.disabled = true;
    this.progress.removeAttribute("value");
    this.progress.hidden = false;
  }

  private async act(work: () => Promise<void>): Promise<void> {
    this.trouble.textContent = "";
    try {
      await work();
    } catch (error) {
      this.failed(wordsOf(error));
    }
  }
}

function number(value: number, min: number, max: number, step: number): HTMLInputElement {
  return el("input", { type: "number", value, min, max: Math.floor(max), step, required: true });
}
