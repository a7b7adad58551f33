// The recorder's page: the keyboard first. A line is an event; u takes the last back; . and a letter ends an attempt.

import type { Choice, Me, RecordView, SaidView } from "./api.js";
import { announce, el, fill, show } from "./dom.js";
import { follow, get, wordsOf } from "./net.js";
import { Queue } from "./queue.js";
import { shell } from "./shell.js";

const UNDO_KEY = "u";
const ATTEMPT_KEY = ".";

export async function procedure(me: Me, caseId: string): Promise<void> {
  const base = `/api/cases/${caseId}`;
  let view = await get<RecordView>(`${base}/record`);
  const main = shell(me, { caseId, section: "procedure" }, view.title, view.invented);
  const timeline = el("ol", { class: "timeline", "aria-label": "What stands, the latest first" });
  const echo = el("div", { class: "echo", role: "status", "aria-live": "polite" });
  const link = el("p", { class: "link", role: "status" });
  const picks = el("div", { class: "picks", role: "group", "aria-label": "Which is meant" });
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
  let offered: readonly Choice[] = [];
  let byLetter = false;

  const offer = (choices: readonly Choice[], letters: boolean, question: string): void => {
    offered = choices.slice(0, letters ? 20 : 9);
    byLetter = letters;
    const rows = offered.map((one, k) => {
      const shown = letters ? one.words : `${k + 1} ${one.words}`;
      return el("button", { type: "button", class: "pick", onclick: () => pick(one) }, el("kbd", {}, shown.slice(0, 1)), shown.slice(1));
    });
    show(picks, ...(question ? [el("p", {}, question)] : []), ...rows);
    if (rows.length) announce(`${question}: ${offered.map((one) => one.words).join(", ")}`);
  };
  const pick = (one: Choice): void => {
    offer([], false, "");
    queue.say(one.value);
    line.focus();
  };
  const wrote = (typed: string, said: SaidView): void => {
    if (said.written) {
      const hazards = said.hazards.map((one) => el("p", { class: "hazard" }, one));
      show(echo, el("p", {}, said.echo), ...hazards);
    } else {
      show(echo, el("p", { class: "trouble" }, `${typed}: ${said.question}`));
      offer(said.choices, false, said.question);
    }
  };
  const queue = new Queue(caseId, {
    wrote,
    refused: (typed, error) => {
      show(echo, el("p", { class: "trouble" }, `Not written: ${typed}. ${wordsOf(error)}`));
      if (!line.value) line.value = typed;
    },
    waits: (lines, reached) => {
      const many = lines.length === 1 ? "1 line waits" : `${lines.length} lines wait`;
      link.textContent = lines.length ? `${many}${reached ? "" : ": the workbench does not answer"}. Nothing is lost; each keeps its time. ${lines.join(" | ")}` : "";
    },
  });
  const enter = (): void => {
    const text = line.value.trim();
    line.value = "";
    offer([], false, "");
    if (!text) return;
    if (text === "undo" || text === UNDO_KEY) queue.undo();
    else queue.say(text);
  };
  line.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "Enter") {
      event.preventDefault();
      enter();
    } else if (event.key === "Escape") {
      offer([], false, "");
    } else if (!line.value) {
      const chosen = byLetter ? offered.find((one) => one.words.startsWith(`${event.key} `)) : offered[Number(event.key) - 1];
      if (chosen) pick(chosen);
      else if (event.key === UNDO_KEY && !offered.length) queue.undo();
      else if (event.key === ATTEMPT_KEY) offer(view.attempt, true, "How did the attempt end?");
      else return;
      event.preventDefault();
    }
  });
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
    view = await get<RecordView>(`${base}/record`);
    draw();
  };

  const keys = el(
    "p",
    { class: "soft note", id: "keys" },
    "Enter writes the line. On an empty line: ",
    el("kbd", {}, UNDO_KEY),
    " takes the last back, ",
    el("kbd", {}, ATTEMPT_KEY),
    " and a letter ends an attempt, a number picks what is meant, Esc lets it be.",
  );
  const acts = el(
    "div",
    { class: "acts" },
    el("button", { type: "button", onclick: () => queue.undo(), disabled: !me.may_record }, "Take the last back"),
    el("button", { type: "button", onclick: () => offer(view.attempt, true, "How did the attempt end?"), disabled: !me.may_record }, "An attempt ended"),
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
  show(main, el("div", { class: "recorder" }, write, keys, acts, picks, echo, link, timeline, examples), room);
  draw();
  line.focus();
  follow(
    caseId,
    {
      record: () => void again(),
      room: (data) => fill(room, String(data["html"])),
    },
    (up) => {
      main.classList.toggle("cut-off", !up);
      if (up) queue.now();
    },
  );
}
