// The door: a token from the link is used at once and taken out of the address; where there are users they come in by name.

import type { Door, Me } from "./api.js";
import { el, labelled, show } from "./dom.js";
import { get, send, wordsOf } from "./net.js";

export async function door(): Promise<void> {
  document.title = "Enter – Backstay";
  const token = new URLSearchParams(location.search).get("token") ?? "";
  history.replaceState(null, "", "/enter");
  const trouble = el("p", { class: "trouble", role: "alert" });
  const field = el("input", { name: "token", autocomplete: "off", spellcheck: "false" });
  const name = el("input", { name: "name", autocomplete: "username", spellcheck: "false" });
  const password = el("input", { name: "password", type: "password", autocomplete: "current-password" });
  const enter = async (body: Record<string, string>): Promise<void> => {
    try {
      await send<Me>("POST", "/api/enter", body);
      location.replace("/");
    } catch (error) {
      trouble.textContent = wordsOf(error);
    }
  };
  const another = async (): Promise<void> => {
    try {
      await send("POST", "/api/enter/link");
      trouble.textContent = "The terminal says a new link.";
    } catch (error) {
      trouble.textContent = wordsOf(error);
    }
  };
  const byToken = el(
    "form",
    {
      onsubmit: (event) => {
        event.preventDefault();
        void enter({ token: tokenIn(field.value) });
      },
    },
    labelled("Link or token", field, "In the terminal that runs backstay serve; it lets one browser in, once."),
    el("button", {}, "Enter"),
    el("button", { type: "button", class: "quiet", onclick: () => void another() }, "Say a new link there"),
  );
  const byName = el(
    "form",
    {
      onsubmit: (event) => {
        event.preventDefault();
        void enter({ name: name.value, password: password.value });
      },
    },
    labelled("Name", name),
    labelled("Password", password),
    el("button", {}, "Enter"),
  );
  const main = (form: HTMLElement): void => {
    show(document.body, el("main", { class: "door" }, el("h1", {}, "Backstay"), trouble, form));
  };
  try {
    const { by_name: byUsers } = await get<Door>("/api/enter");
    main(byUsers ? byName : byToken);
    if (token) await enter({ token });
    else (byUsers ? name : field).focus();
  } catch (error) {
    main(byToken);
    trouble.textContent = wordsOf(error);
  }
}

/** Return the token of a pasted link, or what was pasted. */
function tokenIn(text: string): string {
  const found = /[?&]token=([\w-]+)/.exec(text);
  return (found?.[1] ?? text).trim();
}
