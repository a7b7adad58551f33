// Asking the server, and hearing from it. One error shape, whatever went wrong.

import type { ErrorShape } from "./api.js";

export class Refused extends Error {
  constructor(
    readonly status: number,
    readonly shape: ErrorShape,
  ) {
    super(shape.message);
  }

  /** The error as the one line a person reads. */
  get words(): string {
    const { message, field, value, allowed } = this.shape;
    const named = field ? `${field}${value === null ? "" : ` = ${value}`}` : "";
    return [message, named, allowed ? `allowed: ${allowed}` : ""].filter(Boolean).join("; ");
  }
}

export class Unreachable extends Error {}

async function ask(method: string, path: string, body?: unknown): Promise<Response> {
  const sent: RequestInit = { method, headers: {} };
  if (body instanceof Blob) {
    sent.headers = { "content-type": "application/dicom" };
    sent.body = body;
  } else if (body !== undefined) {
    sent.headers = { "content-type": "application/json" };
    sent.body = JSON.stringify(body);
  }
  let answer: Response;
  try {
    answer = await fetch(path, sent);
  } catch {
    throw new Unreachable("the workbench does not answer");
  }
  if (answer.ok) return answer;
  if (answer.status === 401 && !path.endsWith("/enter")) location.assign("/enter");
  let shape: ErrorShape;
  try {
    shape = (await answer.json()) as ErrorShape;
  } catch {
    shape = { error: "", message: `the workbench answered ${answer.status}`, field: "", value: null, allowed: "", where: "" };
  }
  throw new Refused(answer.status, shape);
}

export async function get<T>(path: string): Promise<T> {
  return (await (await ask("GET", path)).json()) as T;
}

export async function send<T>(method: "POST" | "PUT", path: string, body?: unknown): Promise<T> {
  const answer = await ask(method, path, body);
  return (answer.status === 204 ? undefined : await answer.json()) as T;
}

export function wordsOf(error: unknown): string {
  return error instanceof Refused ? error.words : error instanceof Error ? error.message : String(error);
}

export type Hearer = (data: Record<string, unknown>) => void;

/** Follow a case. `live` hears at once when the line is down or up again. */
export function follow(caseId: string, hearers: Readonly<Record<string, Hearer>>, live: (up: boolean) => void): void {
  const SILENCE_MS = 25_000;
  let source: EventSource | undefined;
  let watch = 0;
  const heard = (): void => {
    live(true);
    clearTimeout(watch);
    watch = setTimeout(open, SILENCE_MS);
  };
  function open(): void {
    source?.close();
    source = new EventSource(`/api/cases/${caseId}/stream`);
    source.addEventListener("alive", heard);
    for (const [kind, hearer] of Object.entries(hearers)) {
      source.addEventListener(kind, (event) => {
        heard();
        hearer(JSON.parse((event as MessageEvent<string>).data) as Record<string, unknown>);
      });
    }
    source.onopen = heard;
    source.onerror = () => {
      live(false);
      clearTimeout(watch);
      watch = setTimeout(open, 1_000);
    };
  }
  open();
  addEventListener("pagehide", () => source?.close());
}
