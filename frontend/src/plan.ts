// The plan: a rig chosen on the left, everything about it on the right, its device moved along the way.

import type { Asked, Choice, MadeView, Me, PlaceView, PlanParts, PlanView, RigBody, RigView, Rung } from "./api.js";
import { announce, el, fill, isNarrow, labelled, report, select, show } from "./dom.js";
import { get, orLater, send, wordsOf } from "./net.js";
import { shell } from "./shell.js";
import { follow } from "./stream.js";

const PARTS: readonly (readonly [string, string])[] = [
  ["ladder", "The ladder"],
  ["learned", "What attempts taught"],
  ["limits", "Limits"],
  ["treatment", "Treatment"],
  ["way_back", "The way back"],
  ["cautions", "Cautions"],
  ["inputs", "What the answer rests on"],
];

export async function plan(me: Me, caseId: string): Promise<void> {
  const base = `/api/cases/${caseId}/plan`;
  let view = await get<PlanView>(base);
  const main = shell(me, { caseId, section: "plan" }, view.title, view.invented);
  let chosen = "as_it_is";
  let parts = 0;
  let asks = 0;
  let drawn = "";

  const progress = el("progress", { max: 1, value: 0, "aria-label": "rigs worked out" });
  const doing = el("p", { class: "doing soft", role: "status" });
  const choices = el("fieldset", { class: "choices" });
  const answers = el("div", { class: "answers" });
  const strip = new Strip(async (step) => get<PlaceView>(`${base}/rigs/${chosen}/places/${step}?narrow=${isNarrow()}`), (error) => {
    trouble.textContent = error === null ? "" : `The device was not moved: ${wordsOf(error)}`;
  });
  const beneath = el("div", { class: "beneath" });
  const around = el("div", { class: "around" });
  const about = el("nav", { class: "about", "aria-label": "On this page" });
  const trouble = el("p", { class: "trouble", role: "alert" });
  const problems = el("ul", { class: "problems" });

  const choose = async (id: string): Promise<void> => {
    chosen = id;
    strip.abandon();
    try {
      const rig = await get<RigView>(`${base}/rigs/${id}?narrow=${isNarrow()}`);
      if (chosen !== id) return;
      fill(answers, rig.answers);
      strip.draw(rig.place);
      fill(beneath, rig.beneath);
      document.documentElement.dataset["rig"] = id;
      announce(`${rig.change}: ${rig.place.words}`);
    } catch (error) {
      trouble.textContent = wordsOf(error);
    }
  };
  const again = async (): Promise<void> => {
    const asked = ++asks;
    const found = await get<PlanView>(base);
    if (asked !== asks) return; // a later answer is on its way, or was faster
    view = found;
    draw();
  };
  const draw = (): void => {
    const ready = view.rungs.filter((one) => one.ready).length;
    progress.value = view.rungs.length ? ready / view.rungs.length : 0;
    progress.hidden = ready === view.rungs.length;
    const left = ready === view.rungs.length ? "" : `${ready} of ${view.rungs.length} rigs worked out`;
    doing.textContent = [left, view.doing].filter(Boolean).join(" · ");
    const rungs = JSON.stringify(view.rungs);
    if (rungs !== drawn) {
      // Not drawn anew where nothing changed: a click that falls between would be lost.
      const focused = document.activeElement instanceof HTMLInputElement && document.activeElement.name === "rig";
      show(choices, el("legend", {}, "Rig"), ...view.rungs.map((one) => rung(one, one.id === chosen, choose)));
      if (focused) choices.querySelector<HTMLInputElement>("input:checked")?.focus();
      drawn = rungs;
    }
    const here = choices.querySelector<HTMLInputElement>(`input[value="${CSS.escape(chosen)}"]`);
    if (here) here.checked = true;
    show(problems, ...view.problems.map((one) => el("li", {}, one)));
  };
  const drawParts = async (): Promise<void> => {
    const asked = ++parts;
    const found = await get<PlanParts>(`${base}/parts`);
    if (asked !== parts) return;
    const there = PARTS.filter(([id]) => found.parts[id]);
    show(about, ...there.map(([id, words]) => el("a", { href: `#${id}` }, words)));
    show(
      around,
      ...there.map(([id]) => {
        const part = report(found.parts[id] ?? "", `part ${id}`);
        part.id = id;
        return part;
      }),
    );
  };

  const own = new OwnRig(me, view, {
    ask: async (body) => {
      const made = await send<Asked>("POST", `${base}/ask`, body);
      wanted.add(made.id);
      doing.textContent = `Working out ${made.change}`;
    },
    put: async (body) => {
      await send<Asked>("PUT", `${base}/in-place`, body);
      location.reload();
    },
  });
  const wanted = new Set<string>();

  const left = el(
    "div",
    { class: "rigs" },
    el("p", { class: "soft" }, `${view.vessel}: ${view.aim}`),
    progress,
    doing,
    choices,
    own.form,
    papers(base),
  );
  const guides = new Guides(`${base}/guides`);
  const right = el("div", { class: "one" }, trouble, problems, about, answers, strip.whole, beneath, guides.whole, around);
  show(main, left, right);
  draw();
  if (view.ready) await Promise.all([choose(chosen), drawParts()]);
  else show(answers, el("p", { class: "empty" }, "The rig in place is being worked out."));

  follow(
    caseId,
    {
      made: () => void guides.again(),
      progress: (data) => {
        guides.told(String(data["doing"]), Number(data["share"]));
        if (!view.ready) doing.textContent = String(data["doing"]);
        if (data["rig"]) {
          progress.hidden = false;
          progress.value = Number(data["share"]);
        }
      },
      rig: (data) => {
        const id = String(data["id"]);
        orLater(again().then(async () => {
          if (wanted.delete(id)) {
            own.done();
            await choose(id);
            draw();
          } else if (!answers.querySelector("section") && view.ready) {
            await Promise.all([choose(chosen), drawParts()]);
          }
        }));
      },
      rested: () => orLater(again().then(async () => Promise.all([choose(chosen), drawParts()]))),
      failed: (data) => {
        const error = data["error"] as { message: string };
        trouble.textContent = error.message;
        own.done();
        orLater(again());
      },
    },
    (up) => main.classList.toggle("cut-off", !up),
  );
}

/** One rig in the list: a radio button, its words, its chance as a picture. */
function rung(one: Rung, chosen: boolean, choose: (id: string) => Promise<void>): HTMLElement {
  const input = el("input", {
    type: "radio",
    name: "rig",
    value: one.id,
    checked: chosen,
    disabled: !one.ready,
    onchange: () => void choose(one.id),
  });
  const mark = one.in_place ? "in place" : one.own ? "own" : "";
  const words = el("span", { class: "words" }, el("b", {}, one.change));
  if (mark) words.append(" ", el("span", { class: "tag" }, mark));
  words.append(el("span", { class: "chance" }, one.chance || one.detail));
  if (one.chance) words.append(el("span", { class: "soft" }, one.detail));
  const label = el("label", { class: `rung${one.ready ? "" : " waits"}` }, input, words);
  if (one.pips) label.append(report(one.pips, "pips"));
  return label;
}

/** The path strip, with the device moved along it by slider, by keyboard, or by dragging on the picture. */
class Strip {
  readonly whole: HTMLElement;
  private readonly picture = el("div", { class: "strip" });
  private readonly slider = el("input", { type: "range", min: 0, max: 1, step: 1, "aria-label": "Place of the device's tip" });
  private readonly rows = el("dl", { class: "here" });
  private wanted: number | null = null;
  private shown = 0;
  private busy = false;
  private round = 0;
  private from = 0;
  private to = 1;

  /** `at` asks for a place; `failed` hears why none came, or of null once one has. */
  constructor(
    private readonly at: (step: number) => Promise<PlaceView>,
    private readonly failed: (error: unknown) => void,
  ) {
    this.slider.addEventListener("input", () => this.want(Number(this.slider.value)));
    this.picture.addEventListener("pointerdown", (event) => {
      this.picture.setPointerCapture(event.pointerId);
      this.drag(event);
    });
    this.picture.addEventListener("pointermove", (event) => {
      if (event.buttons) this.drag(event);
    });
    this.whole = el(
      "section",
      { class: "moving", "aria-label": "Path strip" },
      this.picture,
      this.slider,
      el("p", { class: "soft note" }, "Drag on the picture, or use the slider's arrow keys, to move the device along its way."),
      this.rows,
    );
    this.whole.hidden = true;
  }

  /** Forget what was asked for another rig. */
  abandon(): void {
    this.round += 1;
    this.wanted = null;
    this.busy = false;
  }

  draw(place: PlaceView): void {
    this.whole.hidden = false;
    this.from = place.from_share;
    this.to = place.to_share;
    fill(this.picture, place.strip);
    this.slider.max = String(place.steps - 1);
    this.slider.value = String(place.step);
    this.shown = place.step;
    this.slider.setAttribute("aria-valuetext", place.words);
    this.slider.style.marginLeft = `${100 * place.from_share}%`;
    this.slider.style.width = `${100 * (place.to_share - place.from_share)}%`;
    show(this.rows, ...place.rows.map((row) => el("div", {}, el("dt", {}, row.name), el("dd", {}, row.words))));
    document.documentElement.dataset["step"] = String(place.step);
  }

  private drag(event: PointerEvent): void {
    const box = this.picture.getBoundingClientRect();
    const share = ((event.clientX - box.left) / box.width - this.from) / (this.to - this.from);
    const last = Number(this.slider.max);
    this.want(Math.min(Math.max(Math.round(share * last), 0), last));
  }

  /** Ask for a place; while one is under way only the last wish is kept. */
  private want(step: number): void {
    this.wanted = step;
    if (!this.busy) void this.next();
  }

  private async next(): Promise<void> {
    const round = this.round;
    this.busy = true;
    while (this.wanted !== null && round === this.round) {
      const step = this.wanted;
      this.wanted = null;
      try {
        const place = await this.at(step);
        if (round !== this.round) return;
        this.draw(place);
        this.failed(null);
      } catch (error) {
        if (round !== this.round) return;
        // The handle goes back to where the numbers are of.
        if (this.wanted === null) this.slider.value = String(this.shown);
        this.failed(error);
      }
    }
    if (round === this.round) this.busy = false;
  }
}

/** The shelf's guides compared, worked out when first opened. */
class Guides {
  readonly whole: HTMLDetailsElement;
  private readonly body = el("div", { class: "part" });
  private waits = false;

  constructor(private readonly path: string) {
    this.whole = el("details", { class: "guides", id: "guides" }, el("summary", {}, "Guides compared in this root"), this.body);
    this.whole.addEventListener("toggle", () => {
      if (this.whole.open && !this.body.firstChild) {
        this.waits = true;
        void this.again();
      }
    });
  }

  async again(): Promise<void> {
    if (!this.waits) return;
    const found = await get<MadeView>(this.path);
    this.waits = !found.ready && !found.problem;
    if (found.ready) fill(this.body, found.html);
    else if (found.problem) show(this.body, el("p", { class: "trouble", role: "alert" }, found.problem));
    else if (!this.body.firstChild) this.told("waiting for the solver", 0);
  }

  told(doing: string, share: number): void {
    if (this.waits) show(this.body, el("p", { class: "soft", role: "status" }, doing), el("progress", { max: 1, value: share, "aria-label": "guides solved" }));
  }
}

/** A rig and target of the user's own: worked out on its own, or put in place. */
class OwnRig {
  readonly form: HTMLElement;
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
          this.work.disabled = true;
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
    );
    if (me.may_change) fields.append(put);
    if (form.has_anchor_or_trap) fields.append(el("p", { class: "soft note" }, "An anchor or a trapped wire of the case is left out here."));
    this.form = el("details", { class: "own" }, el("summary", {}, "A rig of your own"), fields);
  }

  done(): void {
    this.work.disabled = false;
  }

  private async act(work: () => Promise<void>): Promise<void> {
    this.trouble.textContent = "";
    try {
      await work();
    } catch (error) {
      this.trouble.textContent = wordsOf(error);
      this.done();
    }
  }
}

function number(value: number, min: number, max: number, step: number): HTMLInputElement {
  return el("input", { type: "number", value, min, max: Math.floor(max), step, required: true });
}

function papers(base: string): HTMLElement {
  const link = (file: string, words: string): HTMLElement => el("li", {}, el("a", { href: `${base}/papers/${file}`, download: "" }, words));
  return el(
    "section",
    { class: "papers" },
    el("h2", {}, "On paper"),
    el(
      "ul",
      {},
      link("time-out.pdf", "Time-out sheet (PDF)"),
      link("plan.pdf", "Plan on one page (PDF)"),
      link("plan.html", "Plan in full (HTML)"),
      link("plan.json", "Plan as data (JSON)"),
    ),
  );
}
