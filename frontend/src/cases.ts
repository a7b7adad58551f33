// The list of cases, and the ways to a new one.

import type { CaseItem, CaseList, Made, Me } from "./api.js";
import { announce, el, labelled, shortName, show } from "./dom.js";
import { get, send, wordsOf } from "./net.js";
import { shell } from "./shell.js";

export async function cases(me: Me): Promise<void> {
  const main = shell(me, null, "Cases", false);
  const first = await get<CaseList>("/api/cases");
  const trouble = el("p", { class: "trouble", role: "alert" });
  const list = el("section", { "aria-label": "Cases" });
  const words = el("input", { type: "search", name: "words", placeholder: "title, vessel" });
  const away = el("input", { type: "checkbox", name: "away" });

  const act = async (work: () => Promise<void>): Promise<void> => {
    trouble.textContent = "";
    try {
      await work();
    } catch (error) {
      trouble.textContent = wordsOf(error);
    }
  };
  const again = async (): Promise<void> => {
    const query = new URLSearchParams({ words: words.value, put_away: String(away.checked) });
    const found = await get<CaseList>(`/api/cases?${query}`);
    draw(found.cases);
    announce(`${found.cases.length} cases`);
  };
  const open = async (made: Promise<Made>): Promise<void> => {
    const { id } = await made;
    location.assign(`/case/${id}/plan`);
  };
  const draw = (rows: readonly CaseItem[]): void => {
    if (rows.length === 0) {
      const searched = words.value.trim() || away.checked;
      show(list, el("p", { class: "empty" }, searched ? "No case matches." : "No case yet. Begin with one of the three ways on this page."));
      return;
    }
    show(list, el("ul", { class: "cases" }, ...rows.map(row)));
  };
  const row = (one: CaseItem): HTMLElement => {
    const facts = [one.vessel, one.changed_words, one.events ? `${one.events} events` : "", one.signed ? "signed" : ""];
    const title = one.problem
      ? el("span", { class: "title" }, one.title)
      : el("a", { class: "title", href: `/case/${one.id}/plan` }, one.title);
    const item = el("li", {}, title, shortName(one.id), el("span", { class: "soft" }, facts.filter(Boolean).join(" · ")));
    if (one.invented) title.after(el("span", { class: "mark small" }, "INVENTED"));
    if (one.problem) item.append(el("span", { class: "trouble" }, `Cannot be read: ${one.problem}`));
    if (me.may_change) {
      const copy = (): void => void act(() => open(send<Made>("POST", `/api/cases/${one.id}/duplicate`)));
      const put = (): void =>
        void act(async () => {
          await send<CaseItem>("PUT", `/api/cases/${one.id}/put-away`, { away: !one.put_away });
          await again();
        });
      item.append(
        el(
          "span",
          { class: "acts" },
          el("button", { type: "button", class: "quiet", onclick: copy, "aria-label": `Duplicate ${one.title}` }, "Duplicate"),
          el(
            "button",
            { type: "button", class: "quiet", onclick: put, "aria-label": `${one.put_away ? "Bring back" : "Archive"} ${one.title}` },
            one.put_away ? "Bring back" : "Archive",
          ),
        ),
      );
    }
    return item;
  };
  words.addEventListener("input", () => void act(again));
  away.addEventListener("change", () => void act(again));
  const search = el(
    "form",
    { role: "search", class: "line", onsubmit: (event) => event.preventDefault() },
    labelled("Search", words),
    el("label", { class: "check" }, away, "archived ones"),
  );
  draw(first.cases);
  show(main, el("div", { class: "col" }, search, list));
  if (me.may_change) main.append(el("div", { class: "col new" }, trouble, ...ways(first, act, open)));
}

/** The three ways to a new case. */
function ways(
  offered: CaseList,
  act: (work: () => Promise<void>) => Promise<void>,
  open: (made: Promise<Made>) => Promise<void>,
): HTMLElement[] {
  const text = el("textarea", { name: "text", rows: 3, spellcheck: "false", required: true });
  text.value = "";
  const vessel = el("input", { name: "vessel", list: "vessels", required: true, value: offered.vessels[0] ?? "" });
  const title = el("input", { name: "title" });
  const names = el("datalist", { id: "vessels" }, ...offered.vessels.map((one) => el("option", { value: one })));
  const sketch = el(
    "form",
    {
      onsubmit: (event) => {
        event.preventDefault();
        void act(() => open(send<Made>("POST", "/api/cases/sketch", { text: text.value, vessel: vessel.value, title: title.value })));
      },
    },
    labelled("The vessel, segment by segment from the ostium", text, `length, diameter, bend, narrowing, calcium; such as: ${offered.example}`),
    labelled("Vessel", vessel),
    labelled("Title (may be left out)", title),
    names,
    el("button", {}, "Sketch a case"),
  );
  const files = el("input", { type: "file", multiple: true, name: "files" });
  const bring = el(
    "form",
    {
      onsubmit: (event) => {
        event.preventDefault();
        void act(async () => {
          const chosen = [...(files.files ?? [])];
          const read = await Promise.all(chosen.map(async (one) => ({ name: one.name, text: await one.text() })));
          await open(send<Made>("POST", "/api/cases/import", { files: read }));
        });
      },
    },
    labelled("Files of a case", files, "case.toml with its path and shelf (choose all at once), or one packed case (.json)"),
    el("button", {}, "Import"),
  );
  const demo = (): void => void act(() => open(send<Made>("POST", "/api/cases/demo")));
  return [
    el("section", {}, el("h2", {}, "From a sketch"), sketch),
    el(
      "section",
      {},
      el("h2", {}, "The demo case"),
      el("p", {}, "An invented hard right coronary artery: a stent that does not go on the first try."),
      el("button", { type: "button", onclick: demo }, "Open a demo case"),
    ),
    el("section", {}, el("h2", {}, "From files"), bring),
  ];
}
