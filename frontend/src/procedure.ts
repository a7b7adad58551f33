// The recorder's page: the keyboard first. A line is an event; u takes the last back; . and a letter end an attempt.

import type { Choice, Me, RecordView } from "./api.js";
import { announce, el, fill, show } from "./dom.js";
import { get, orLater, wordsOf } from "./net.js";
import { type Line, Queue, waitForOthers } from "./queue.js";
import { shell } from "./shell.js";
import { follow } from "./stream.js";

/** No line begins with either. */
const UNDO_KEY = "-";
const ATTEMPT_KEY = ".";
const MOST_CHOICES = 9;

export async function procedure(me: Me, caseId: string): Promise<void> {
  const base = `/api/cases/${caseId}`;
  let view = await get<RecordView>(`${base}/record`);
  const main = shell(me, { caseId, section: "procedure" }, view.title, view.invented);
  const timeline = el("ol", { class: "timeline", "aria-label": "What stands, the latest first" });
  const echo = el("div", { class: "echo", role: "status", "aria-live": "polite" });
  const link = el("p", { class: "link", role: "status" });
  const picks = el("div", { class: "picks", role: "group", "aria-label": "How the attempt ended" });
  const room = el("div", { class: "room-view", "aria-label": "What the room sees", role: "region" });
  const line = el("input", {
    class: "typed",
    name: "line",
    autocomplete: "off",
    autocapitalize: "off",
    spellcheck: "false",
    enterkeyhint: "send",
    "aria-label": "A line for the record",
    "aria-describedby": "keys",
    disabled: !me.may_record,
  });
  const open = el("div", { class: "open", role: "group", "aria-label": "To be settled" });
  let ends: readonly Choice[] = [];
  let asking: readonly Line[] = [];
  let written = [...view.written];
  let asks = 0;
  const refusals: { readonly line: string; readonly words: string }[] = [];

  /** Offer the ends of an attempt, each by its letter, or nothing. */
  const offer = (choices: readonly Choice[]): void => {
    ends = choices;
    const question = `How did the attempt with the ${view.attempt_with} end?`;
    const rows = choices.map((one) =>
      el("button", { type: "button", class: "pick", onclick: () => end(one) }, el("kbd", {}, one.words.slice(0, 1)), one.words.slice(1)),
    );
    show(picks, ...(rows.length ? [el("p", {}, question), ...rows] : []));
    if (rows.length) announce(`${question} ${choices.map((one) => one.words).join(", ")}`);
  };
  const end = (one: Choice): void => {
    offer([]);
    queue?.say(one.value);
    line.focus();
  };
  /** Everything that waits for whoever typed it, the oldest first: numbers settle that one. */
  const drawOpen = (): void => {
    const asked = asking.map((one, k) => {
      const { question, choices } = one.asks ?? { question: "", choices: [] };
      const rows = choices.slice(0, MOST_CHOICES).map((choice, n) => {
        const number = k === 0 ? [el("kbd", {}, String(n + 1)), " "] : [];
        return el("button", { type: "button", class: "pick", onclick: () => pick(one, choice) }, ...number, choice.words);
      });
      const no = el("button", { type: "button", class: "pick quiet", onclick: () => letBe(one) }, "Let it be");
      return el("div", { class: "question" }, el("p", { class: "trouble" }, `Not written yet: ${one.line}. ${question}`), ...rows, no);
    });
    const not = refusals.map((one) => {
      const seen = el("button", { type: "button", class: "pick quiet", onclick: () => seenRefusal(one) }, "Seen");
      return el("div", { class: "question" }, el("p", { class: "trouble", role: "alert" }, `Not written: ${one.line}. ${one.words}`), seen);
    });
    show(open, ...asked, ...not);
  };
  const pick = (one: Line, choice: Choice): void => {
    queue?.settle(one, choice.value);
    line.focus();
  };
  const letBe = (one: Line): void => {
    queue?.letBe(one);
    show(echo, el("p", {}, `Not written: ${one.line}`));
    line.focus();
  };
  const seenRefusal = (one: (typeof refusals)[number]): void => {
    refusals.splice(refusals.indexOf(one), 1);
    drawOpen();
    line.focus();
  };
  const author = `${me.role} ${me.name}`;
  const left = waitForOthers(caseId, author);
  const others = left.length ? `Typed here by somebody else, and not sent: ${left.join(" | ")}. It goes when they enter again.` : "";
  const queue = me.may_record ? new Queue(caseId, author, {
    wrote: (waiting, said) => {
      if (!said.written) return announce(said.question);
      if ("event" in waiting) written = written.filter((id) => id !== waiting.event);
      if (said.stands) written = [waiting.key, ...written];
      show(echo, el("p", {}, said.echo), ...said.hazards.map((one) => el("p", { class: "hazard" }, one)));
    },
    refused: (words, error) => {
      refusals.push({ line: words, words: wordsOf(error) });
      drawOpen();
    },
    waits: (lines, reached, unclear) => {
      const many = lines.length === 1 ? "1 line waits" : `${lines.length} lines wait`;
      const own = lines.length ? `${many}${reached ? "" : ": the workbench does not answer"}. Nothing is lost; each keeps its time. ${lines.join(" | ")}` : "";
      link.textContent = `${own} ${others}`.trim();
      asking = unclear;
      drawOpen();
    },
  }) : null;
  const undo = (): void => {
    const said = queue?.undo(written);
    if (said) show(echo, el("p", {}, said));
    line.focus();
  };
  const enter = (): void => {
    const text = line.value.trim();
    line.value = "";
    offer([]);
    const first = asking[0];
    const chosen = /^\d+$/.test(text) ? first?.asks?.choices.slice(0, MOST_CHOICES)[Number(text) - 1] : undefined;
    if (first && chosen) pick(first, chosen);
    else if (text === "undo" || text === UNDO_KEY) undo();
    else if (text) queue?.say(text);
  };
  line.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    // A key that is held down acts once.
    if (event.repeat && !line.value) return event.preventDefault();
    if (event.key === "Enter") {
      event.preventDefault();
      enter();
    } else if (event.key === "Escape") {
      offer([]);
    } else if (!line.value) {
      const chosen = ends.find((one) => one.words.startsWith(`${event.key} `));
      if (chosen) end(chosen);
      else if (event.key === UNDO_KEY) undo();
      else if (event.key === ATTEMPT_KEY) offer(view.attempt);
      else return;
      event.preventDefault();
    }
  });
  link.textContent = others;
  const draw = (): void => {
    show(
      timeline,
      ...view.events.map((one) =>
        el("li", { class: one.kind }, el("time", {}, one.clock), el("span", {}, one.words), el("span", { class: "soft" }, one.role)),
      ),
    );
    if (!view.events.length) show(timeline, el("li", { class: "empty" }, "Nothing recorded yet. The first line begins the record."));
    fill(room, view.room);
  };
  const again = async (): Promise<void> => {
    const asked = ++asks;
    const found = await get<RecordView>(`${base}/record`);
    if (asked !== asks) return; // a later answer is on its way, or was faster
    view = found;
    written = [...view.written];
    draw();
  };

  const keys = el(
    "p",
    { class: "soft note", id: "keys" },
    "Enter writes the line. On an empty line: ",
    el("kbd", {}, UNDO_KEY),
    " takes the last back, ",
    el("kbd", {}, ATTEMPT_KEY),
    " and a letter ends an attempt. A number and Enter settle the oldest unclear line.",
  );
  const acts = el(
    "div",
    { class: "acts" },
    el("button", { type: "button", onclick: undo, disabled: !me.may_record }, "Take the last back"),
    el("button", { type: "button", onclick: () => (offer(view.attempt), line.focus()), disabled: !me.may_record }, "An attempt ended"),
  );
  const examples = el("details", {}, el("summary", {}, "Lines, by example"), el("ul", { class: "examples" }, ...view.examples.map((one) => el("li", {}, el("code", {}, one)))));
  const write = el(
    "form",
    {
      class: "write",
      onsubmit: (event) => {
        event.preventDefault();
        enter();
      },
    },
    line,
    el("button", { disabled: !me.may_record }, "Write"),
  );
  show(main, el("div", { class: "recorder" }, write, keys, acts, picks, open, echo, link, timeline, examples), room);
  draw();
  line.focus();
  follow(
    caseId,
    {
      record: () => orLater(again()),
      room: (data) => fill(room, String(data["html"])),
    },
    (up) => {
      main.classList.toggle("cut-off", !up);
      if (up) queue?.now();
    },
  );
}
