// The room's display: read-only, dark unless told otherwise, and honest when it is no longer live.

import type { Part } from "./api.js";
import { el, fill, shortName, show } from "./dom.js";
import { get, timeNow } from "./net.js";
import { theme, wear } from "./shell.js";
import { follow } from "./stream.js";

export async function room(caseId: string): Promise<void> {
  wear(theme() === "light" ? "light" : "dark");
  document.title = "Room – Backstay";
  const base = `/api/cases/${caseId}`;
  const display = el("main", { class: "display" });
  const dead = el("p", { class: "dead", role: "alert", hidden: true });
  const about = await get<{ title: string; invented: boolean; vessel: string }>(base);
  const head = el("header", { class: "display-head" }, el("h1", {}, about.title), el("span", {}, about.vessel), shortName(caseId));
  if (about.invented) head.append(el("span", { class: "mark" }, "INVENTED CASE"));
  show(document.body, dead, head, display);
  fill(display, (await get<Part>(`${base}/room`)).html);
  let since = "";
  follow(
    caseId,
    { room: (data) => fill(display, String(data["html"])) },
    (up, why) => {
      if (!up && !since) since = timeNow().toTimeString().slice(0, 8);
      if (up) since = "";
      dead.hidden = up;
      dead.textContent = up ? "" : `NOT LIVE since ${since}: what stands here is old (${why})`;
      document.body.classList.toggle("stale", !up);
    },
  );
}
