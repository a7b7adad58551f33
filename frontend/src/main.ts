// Which page this is, and its module: each page loads only what it needs.

import type { Me } from "./api.js";
import { el, show } from "./dom.js";
import { get, keepTime, wordsOf } from "./net.js";
import { theme, wear } from "./shell.js";

async function start(): Promise<void> {
  wear(theme());
  if (location.pathname === "/enter") return (await import("./door.js")).door();
  const asked = Date.now();
  const me = await get<Me>("/api/me");
  keepTime(me.now, asked, Date.now());
  const found = /^\/case\/([a-z0-9-]+)\/([a-z-]+)$/.exec(location.pathname);
  const [, caseId, section] = found ?? [];
  if (!caseId) return (await import("./cases.js")).cases(me);
  if (section === "angiogram") return (await import("./angiogram.js")).angiogram(me, caseId);
  if (section === "vessel") return (await import("./vessel.js")).vessel(me, caseId);
  if (section === "plan") return (await import("./plan.js")).plan(me, caseId);
  if (section === "procedure") return (await import("./procedure.js")).procedure(me, caseId);
  if (section === "wrap-up") return (await import("./wrapup.js")).wrapUp(me, caseId);
  return (await import("./room.js")).room(caseId);
}

start().catch((error: unknown) => {
  const again = el("a", { href: "/" }, "All cases");
  show(document.body, el("main", { class: "door" }, el("h1", {}, "Backstay"), el("p", { class: "trouble", role: "alert" }, wordsOf(error)), again));
});
