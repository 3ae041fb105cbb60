// Minutes per grade by tapping. A draft keeps when the running timer started, so it also counts while the tab
// is closed. A wrong clock does no harm, since only differences count.

// performance.now() when the running timer was last folded in; null after the page was reloaded.
let ticked = null;
const MINUTE_MS = 60_000;
// A disc lasts about ten minutes (common practice, no source): a single run this long was forgotten.
const FORGOTTEN_MS = 60 * MINUTE_MS;

// Less than this rounds to no minute.
const LEAST_MS = MINUTE_MS / 2;

// Whether enough was timed to say how long it took.
export const counts = (draft, code) => draft.timed[code] >= LEAST_MS;

export const isRunning = (draft, code) => draft.running?.code === code;

export function start(draft, code, minutesSoFar) {
  stop(draft);
  draft.timed[code] ??= minutesSoFar * MINUTE_MS;
  draft.running = { code, since: Date.now(), began: draft.timed[code] };
  ticked = performance.now();
}

// Move what has run so far into the draft. When the clock was set back, only this page's own ticking is left.
export function fold(draft) {
  if (!draft.running) return;
  const { code, since } = draft.running;
  const now = Date.now();
  const ran = now >= since ? now - since : ticked === null ? 0 : performance.now() - ticked;
  draft.timed[code] += ran;
  draft.running.since = now;
  ticked = performance.now();
}

export function stop(draft) {
  fold(draft);
  const code = draft.running?.code;
  if (code && !counts(draft, code)) delete draft.timed[code];
  draft.running = null;
}

// Whole minutes.
export const minutes = (draft, code) => Math.round((draft.timed[code] ?? 0) / MINUTE_MS);

// The time so far as m:ss, with what was there before.
export function shown(draft, code) {
  const ms = (draft.timed[code] ?? 0) + (isRunning(draft, code) ? Math.max(0, Date.now() - draft.running.since) : 0);
  const seconds = Math.floor(ms / 1000);
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
}

export const isForgotten = (draft) =>
  Boolean(draft.running) && draft.timed[draft.running.code] - draft.running.began > FORGOTTEN_MS;
