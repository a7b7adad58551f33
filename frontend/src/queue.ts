// Lines on their way to the record. A line stays here until the server has it on its disk, an unclear one until it is
// settled, a refused one until it is seen; sent again after a cut, its key keeps it from being written twice. The lines outlive a closed page: each page
// keeps its own, under a name it holds a lock on, and takes over those of the same author whose lock nobody holds any more.

import type { Choice, Me, SaidView } from "./api.js";
import { Refused, Unreachable, plainWordsOf, send, timeNow } from "./net.js";

export interface Line {
  readonly key: string;
  readonly line: string;
  readonly said_at: string;
  /** It was sent, and may have arrived. */
  readonly sent?: boolean;
  /** What is unclear about it: it waits for whoever typed it. */
  readonly asks?: { readonly question: string; readonly choices: readonly Choice[] };
  /** Why it was refused: it waits until that is seen. */
  readonly refused?: string;
}

interface TakingBack {
  readonly key: string;
  readonly event: string;
}

type Waiting = Line | TakingBack;

export interface Hears {
  wrote(waiting: Waiting, said: SaidView): void;
  refused(words: string): void;
  /** What waits for the server, why it does where it was refused there, and what waits for whoever typed it. */
  waits(words: readonly string[], why: string, unsettled: readonly Line[]): void;
}

/** Whose lines they are: each author's wait apart. */
export function authorOf(me: Me): string {
  return `${me.role} ${me.name}`;
}

/** Return the lines of a case that wait in this browser for other authors: they are sent when those come back. */
export function waitForOthers(caseId: string, author: string): readonly string[] {
  const own = prefix(caseId, author);
  return wordsIn(caseId, (name) => !name.startsWith(own));
}

/** Return what an author typed into any page of this browser and is not in the record. */
export function notWritten(caseId: string, author: string): readonly string[] {
  const own = prefix(caseId, author);
  return wordsIn(caseId, (name) => name.startsWith(own));
}

function wordsIn(caseId: string, which: (name: string) => boolean): readonly string[] {
  const names = Object.keys(localStorage).filter((name) => name.startsWith(`backstay-lines-${caseId}/`) && which(name));
  return names.flatMap((name) => read(name).map(wordsFor));
}

function wordsFor(one: Waiting): string {
  return "line" in one ? one.line : TO_TAKE_BACK;
}

function prefix(caseId: string, author: string): string {
  return `backstay-lines-${caseId}/${encodeURIComponent(author)}/`;
}

const TO_TAKE_BACK = "to take back";
const PAUSES_MS = [500, 1_000, 2_000, 4_000] as const;
const PATIENCE_MS = 6_000;
/** A line that takes longer than this is seen to wait. */
const UNSEEN_MS = 700;

export class Queue {
  private readonly ofAuthor: string;
  private readonly name: string;
  private sending = false;
  private failures = 0;
  private why = "";
  private timer = 0;
  private writtenAt = "";

  constructor(
    private readonly caseId: string,
    author: string,
    private readonly hears: Hears,
  ) {
    this.ofAuthor = prefix(caseId, author);
    this.name = this.ofAuthor + key();
    void navigator.locks.request(this.name, () => new Promise(() => undefined));
    addEventListener("online", () => this.now());
    this.now();
  }

  say(line: string): void {
    this.add({ key: key(), line, said_at: timeNow().toISOString() });
  }

  /** Let an unclear line be what was chosen: it keeps its key and the time it was typed. One that is gone is said anew. */
  settle(unclear: Line, line: string): void {
    if (!this.kept().some((one) => one.key === unclear.key)) return this.say(line);
    this.keep(this.kept().map((one) => (one.key === unclear.key ? { key: one.key, line, said_at: unclear.said_at } : one)));
    void this.flush();
  }

  /** Write nothing of an unclear line, or have seen a refused one. */
  letBe(unclear: Line): void {
    this.drop(unclear.key);
    this.tell();
  }

  /** Take back what was said last: what is not sent yet is not sent, what is written is taken back by its name.
   *
   * `written` are the events that can be taken back, the last written first. Returns what became of it, in words, where
   * nothing has to be sent. */
  undo(written: readonly string[]): string {
    const kept = this.kept();
    const going = new Set(kept.flatMap((one) => ("event" in one ? [one.event] : [])));
    const isLast = (one: Line): boolean => !going.has(one.key) && (!one.refused || one.said_at > this.writtenAt);
    const last = kept.filter((one): one is Line => "line" in one && isLast(one)).at(-1);
    if (last && !last.sent) {
      this.letBe(last);
      return `Not written: ${last.line}`;
    }
    const event = last?.key ?? written.find((one) => !going.has(one));
    if (!event) return "Nothing stands that could be taken back.";
    this.add({ key: key(), event });
    return "";
  }

  /** Try now, as when the line is up again. */
  now(): void {
    clearTimeout(this.timer);
    this.failures = 0;
    this.why = "";
    void this.adopt().then(() => this.flush());
  }

  /** Take over the lines of the author's pages that are gone. */
  private async adopt(): Promise<void> {
    for (const name of Object.keys(localStorage)) {
      if (!name.startsWith(this.ofAuthor) || name === this.name) continue;
      await navigator.locks.request(name, { ifAvailable: true }, (lock) => {
        if (!lock) return;
        this.keep([...read(name), ...this.kept()]);
        localStorage.removeItem(name);
      });
    }
  }

  private add(one: Waiting): void {
    this.keep([...this.kept(), one]);
    setTimeout(() => this.tell(), UNSEEN_MS);
    void this.flush();
  }

  private kept(): readonly Waiting[] {
    return read(this.name);
  }

  private keep(lines: readonly Waiting[]): void {
    if (lines.length) localStorage.setItem(this.name, JSON.stringify(lines));
    else localStorage.removeItem(this.name);
  }

  private next(): Waiting | undefined {
    return this.kept().find((one) => !("line" in one) || !isUnsettled(one));
  }

  private async flush(): Promise<void> {
    if (this.sending) return;
    this.sending = true;
    for (let first = this.next(); first; first = this.next()) {
      try {
        this.answered(first, await this.sent(first));
      } catch (error) {
        if (error instanceof Unreachable || (error instanceof Refused && (error.status >= 500 || error.status === 401 || error.status === 403))) {
          this.later(plainWordsOf(error));
          break;
        }
        this.refuse(first, plainWordsOf(error));
      }
      this.failures = 0;
      this.why = "";
    }
    this.sending = false;
    this.tell();
  }

  private async sent(one: Waiting): Promise<SaidView> {
    const record = `/api/cases/${this.caseId}/record`;
    if ("event" in one) return send<SaidView>("POST", `${record}/corrections`, { ...one, line: "", reason: "undone" }, PATIENCE_MS);
    const { key, line, said_at } = one;
    this.keep(this.kept().map((other) => (other.key === key ? { ...other, sent: true } : other)));
    return send<SaidView>("POST", `${record}/lines`, { key, line, said_at }, PATIENCE_MS);
  }

  private refuse(one: Waiting, refused: string): void {
    const { key } = one;
    const kept = "line" in one ? { ...one, sent: false, refused } : { key, line: TO_TAKE_BACK, said_at: timeNow().toISOString(), refused };
    this.keep(this.kept().map((other) => (other.key === key ? kept : other)));
    this.hears.refused(kept.line);
  }

  private answered(one: Waiting, said: SaidView): void {
    if ("line" in one && !said.written) {
      const asks = { question: said.question, choices: said.choices };
      this.keep(this.kept().map((other) => (other.key === one.key ? { ...one, sent: false, asks } : other)));
    } else {
      if ("line" in one) this.writtenAt = one.said_at;
      this.drop(one.key);
    }
    this.hears.wrote(one, said);
  }

  private tell(): void {
    const kept = this.kept();
    const unsettled = kept.filter((one): one is Line => "line" in one && isUnsettled(one));
    const waiting = kept.filter((one) => !("line" in one && isUnsettled(one))).map(wordsFor);
    this.hears.waits(waiting, this.why, unsettled);
  }

  private drop(key: string): void {
    this.keep(this.kept().filter((one) => one.key !== key));
  }

  private later(why: string): void {
    this.why = why;
    const pause = PAUSES_MS[Math.min(this.failures, PAUSES_MS.length - 1)] ?? 4_000;
    this.failures += 1;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => void this.flush(), pause);
  }
}

function isUnsettled(one: Line): boolean {
  return one.asks !== undefined || one.refused !== undefined;
}

function read(name: string): readonly Waiting[] {
  try {
    return JSON.parse(localStorage.getItem(name) ?? "[]") as Waiting[];
  } catch {
    return [];
  }
}

function key(): string {
  return crypto.randomUUID().replaceAll("-", "");
}
