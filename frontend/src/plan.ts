// The plan: a rig chosen on the left, everything about it on the right, its device moved along the way.

import type { Asked, MadeView, Me, PlaceView, PlanParts, PlanView, RigView, Rung } from "./api.js";
import { announce, el, fill, isNarrow, report, show } from "./dom.js";
import { get, orLater, send, wordsOf } from "./net.js";
import { OwnRig } from "./own_rig.js";
import { shell } from "./shell.js";
import { follow } from "./stream.js";
import { Strip } from "./strip.js";

const PARTS: readonly (readonly [string, string])[] = [
  ["ladder", "The ladder"],
  ["learned", "What attempts taught"],
  ["limits", "Limits"],
  ["treatment", "Treatment"],
  ["way_back", "The way back"],
  ["cautions", "Cautions"],
  ["inputs", "What the answer rests on"],
];

/** What is told of the ladder's work begins so once its first rung is known. */
const FIRST_RUNG = "first rung so far: ";

export async function plan(me: Me, caseId: string): Promise<void> {
  const base = `/api/cases/${caseId}/plan`;
  let view = await get<PlanView>(base);
  const main = shell(me, { caseId, section: "plan" }, view.title, view.invented);
  let chosen = "as_it_is";
  let parts = 0;
  let asks = 0;
  let drawn = "";
  let firstRung = "";
  let printable: boolean | null = null;

  const progress = el("progress", { max: 1, value: 0, "aria-label": "rigs worked out" });
  const doing = el("p", { class: "doing soft", role: "status" });
  const choices = el("fieldset", { class: "choices" });
  const answers = el("div", { class: "answers", id: "answers" });
  const old = el("p", { class: "old-advice", role: "status" });
  const mind = el("p", { class: "mind" });
  const strip = new Strip(async (step) => get<PlaceView>(`${base}/rigs/${chosen}/places/${step}?narrow=${isNarrow()}`), (error) => {
    trouble.textContent = error === null ? "" : `The device was not moved: ${wordsOf(error)}`;
  });
  const beneath = el("div", { class: "beneath" });
  const around = el("div", { class: "around" });
  const about = el("nav", { class: "about", "aria-label": "On this page" });
  const trouble = el("p", { class: "trouble", role: "alert" });
  const papers = el("section", { class: "papers" });
  const problems = el("ul", { class: "problems" });

  const choose = async (id: string): Promise<void> => {
    chosen = id;
    strip.abandon();
    try {
      const rig = await get<RigView>(`${base}/rigs/${id}?narrow=${isNarrow()}`);
      if (chosen !== id) return;
      fill(answers, rig.answers);
      drawMind();
      strip.draw(rig.place);
      fill(beneath, rig.beneath);
      document.documentElement.dataset["rig"] = id;
      announce(`${rig.change}: ${rig.place.words}`);
    } catch (error) {
      trouble.textContent = wordsOf(error);
    }
  };
  /** The first of what must not be done stands over the picture; the rest under it. */
  const drawMind = (): void => {
    const found = [...answers.querySelectorAll("ul.not li")].map((one) => one.textContent ?? "");
    const more = found.length > 1 ? [" ", el("a", { href: "#answers" }, `and ${found.length - 1} more to mind`)] : [];
    show(mind, ...(found[0] ? [el("b", {}, "Mind: "), found[0], ...more] : []));
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
    sayOld(view.old);
    if (view.whole !== printable) show(papers, ...paperLinks(base, view.whole));
    printable = view.whole;
    show(problems, ...view.problems.map((one) => el("li", {}, one)));
  };
  const sayOld = (words: string): void => {
    show(old, ...(words ? [el("b", {}, "OLD ADVICE:"), ` ${words}`] : []));
    main.classList.toggle("old", words !== "");
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
    papers,
  );
  const guides = new Guides(`${base}/guides`);
  const right = el("div", { class: "one" }, trouble, problems, old, mind, strip.whole, answers, about, beneath, guides.whole, around);
  show(main, left, right);
  draw();
  if (view.ready) await Promise.all([choose(chosen), drawParts()]);
  else show(answers, el("p", { class: "empty" }, "The rig in place is being worked out."));

  follow(
    caseId,
    {
      made: () => void guides.again(),
      progress: (data) => {
        const words = String(data["doing"]);
        guides.told(words, Number(data["share"]));
        if (wanted.has(String(data["rig"]))) own.told(Number(data["share"]));
        else if (!data["rig"]) doing.textContent = words;
        // What was said of the old advice is said anew once the first rung of the new is known.
        if (view.old && words.startsWith(FIRST_RUNG) && words !== firstRung) {
          firstRung = words;
          orLater(again());
        }
      },
      // At once: what was logged makes the advice old before it is weighed.
      record: () => orLater(again()),
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
        if (wanted.delete(String(data["rig"]))) own.failed(error.message);
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

/** What can be printed, once the plan is whole: a paper does not say later that it was not finished. */
function paperLinks(base: string, whole: boolean): HTMLElement[] {
  const link = (file: string, words: string): HTMLElement => el("li", {}, el("a", { href: `${base}/papers/${file}`, download: "" }, words));
  const links = [
    link("time-out.pdf", "Time-out sheet (PDF)"),
    link("plan.pdf", "Plan, short (PDF)"),
    link("plan.html", "Plan in full (HTML)"),
    link("plan.json", "Plan as data (JSON)"),
  ];
  const waits = el("p", { class: "soft" }, "Once the ladder stands, weighed by the whole record.");
  return [el("h2", {}, "On paper"), whole ? el("ul", {}, ...links) : waits];
}
