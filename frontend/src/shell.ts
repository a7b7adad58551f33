// What stands round every page: the rule, the way about, who is in, the colours.

import type { Me } from "./api.js";
import { el, shortName, show } from "./dom.js";
import { send } from "./net.js";

export interface Place {
  readonly caseId: string;
  readonly section: string;
}

const SECTIONS: readonly (readonly [string, string])[] = [
  ["angiogram", "Angiogram"],
  ["vessel", "Vessel"],
  ["plan", "Plan"],
  ["procedure", "Procedure"],
  ["room", "Room"],
  ["wrap-up", "Wrap-up"],
];
const THEMES = ["auto", "dark", "light"] as const;
const THEME_KEY = "backstay-theme";

export function theme(): (typeof THEMES)[number] {
  const kept = localStorage.getItem(THEME_KEY);
  return THEMES.find((one) => one === kept) ?? "auto";
}

export function wear(name: string): void {
  if (name === "auto") document.documentElement.removeAttribute("data-theme");
  else document.documentElement.setAttribute("data-theme", name);
}

/** Draw what stands round a page, and return where the page itself goes. */
export function shell(me: Me, place: Place | null, title: string, invented: boolean): HTMLElement {
  document.title = `${title} – Backstay`;
  const links = place
    ? SECTIONS.map(([id, words]) => {
        const here: Record<string, string> = id === place.section ? { "aria-current": "page" } : {};
        return el("a", { href: `/case/${place.caseId}/${id}`, ...here }, words);
      })
    : [];
  const colours = el("button", { type: "button", class: "quiet" });
  const name = (): void => {
    colours.textContent = `Colours: ${theme()}`;
  };
  colours.addEventListener("click", () => {
    localStorage.setItem(THEME_KEY, THEMES[(THEMES.indexOf(theme()) + 1) % THEMES.length] ?? "auto");
    wear(theme());
    name();
  });
  name();
  const out = el("button", { type: "button", class: "quiet", onclick: () => void leave() }, "Leave");
  const header = el(
    "header",
    { class: "bar" },
    el("a", { class: "skip", href: "#main" }, "To the page"),
    el("nav", { "aria-label": "Workbench" }, el("a", { class: "home", href: "/" }, "Backstay"), ...links),
    el("div", { class: "who" }, el("span", { class: "soft" }, `${me.name}, ${me.role}`), colours, out),
  );
  const heading = el("div", { class: "heading" }, el("h1", {}, title));
  if (place) heading.append(shortName(place.caseId));
  if (invented) heading.append(el("span", { class: "mark" }, "INVENTED CASE"));
  const main = el("main", { id: "main", class: place?.section ?? "home", tabindex: -1 });
  const said = el("p", { id: "said", class: "unseen", role: "status", "aria-live": "polite" });
  show(document.body, header, el("p", { class: "rule" }, me.disclaimer), heading, main, said);
  return main;
}

async function leave(): Promise<void> {
  await send("POST", "/api/leave");
  location.assign("/enter");
}
