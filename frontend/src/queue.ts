// Lines on their way to the record. A line stays here until the server has it on its disk; sent again after a cut, its
// key keeps it from being written twice. The lines outlive a closed page.

import type { SaidView } from "./api.js";
import { Refused, Unreachable, send } from "./net.js";

interface Waiting {
  readonly key: string;
  readonly line: string;
  readonly said_at: string;
  readonly undo: boolean;
}

export interface Hears {
  wrote(line: string, said: SaidView): void;
  refused(line: string, error: unknown): void;
  waits(lines: readonly string[], reached: boolean): void;
}

const PAUSES_MS = [500, 1_000, 2_000, 4_000] as const;

export class Queue {
  private readonly name: string;
  private sending = false;
  private failures = 0;
  private timer = 0;

  constructor(
    private readonly caseId: string,
    private readonly hears: Hears,
  ) {
    this.name = `backstay-lines-${caseId}`;
    addEventListener("online", () => this.now());
    this.now();
  }

  say(line: string): void {
    this.add(line, false);
  }

  undo(): void {
    this.add("undo", true);
  }

  /** Try now, as when the line is up again. */
  now(): void {
    clearTimeout(this.timer);
    this.failures = 0;
    void this.flush();
  }

  private add(line: string, undo: boolean): void {
    const key = crypto.randomUUID().replaceAll("-", "");
    this.keep([...this.kept(), { key, line, said_at: new Date().toISOString(), undo }]);
    void this.flush();
  }

  private kept(): readonly Waiting[] {
    try {
      return JSON.parse(localStorage.getItem(this.name) ?? "[]") as Waiting[];
    } catch {
      return [];
    }
  }

  private keep(lines: readonly Waiting[]): void {
    localStorage.setItem(this.name, JSON.stringify(lines));
  }

  private async flush(): Promise<void> {
    if (this.sending) return;
    this.sending = true;
    for (let first = this.kept()[0]; first; first = this.kept()[0]) {
      const { key, line, said_at, undo } = first;
      const path = `/api/cases/${this.caseId}/record/${undo ? "undo" : "lines"}`;
      try {
        const said = await send<SaidView>("POST", path, undo ? { key } : { key, line, said_at });
        this.drop(key);
        this.hears.wrote(line, said);
      } catch (error) {
        if (error instanceof Unreachable || (error instanceof Refused && (error.status >= 500 || error.status === 401))) {
          this.later();
          break;
        }
        this.drop(key);
        this.hears.refused(line, error);
      }
      this.failures = 0;
    }
    this.sending = false;
    this.hears.waits(
      this.kept().map((one) => one.line),
      this.failures === 0,
    );
  }

  private drop(key: string): void {
    this.keep(this.kept().filter((one) => one.key !== key));
  }

  private later(): void {
    const pause = PAUSES_MS[Math.min(this.failures, PAUSES_MS.length - 1)] ?? 4_000;
    this.failures += 1;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => void this.flush(), pause);
  }
}
