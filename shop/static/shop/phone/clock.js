// The shop's time as far as this phone knows it. A phone's own clock may be wrong, or be corrected meanwhile.

import * as store from "./store.js";

// Clocks of phones usually differ by less; the server asks about a larger difference.
const SLACK_MS = 5 * 60_000;
// By how much the server's clock is ahead of this phone's, and the latest known moment of the server.
const known = { offset: 0, floor: 0 };

export async function load() {
  Object.assign(known, await store.get("facts", "clock"));
}

// Learn from an answer with the server's time, which was asked for at `before` by this phone's clock.
export async function learn(serverNow, before) {
  known.offset = serverNow - (before + Date.now()) / 2;
  known.floor = Math.max(known.floor, serverNow);
  await store.put("facts", "clock", known).catch(() => {});
}

export const offset = () => known.offset;
export const isWrong = () => Math.abs(known.offset) > SLACK_MS;

// What to note about the moment of a close; settled when it is sent.
export const stamp = () => ({ wall: Date.now(), offset: known.offset, floor: known.floor });

// The moment as far as this phone knows it before it has asked the server.
export const guess = ({ wall, offset: then, floor }) => Math.max(wall + then, floor);

// Settle a stamp once the server's time is known. A moment between `floor` and now is believed, by
// the offset known then, else by the one known now. Otherwise the nearest end is taken.
export function settle({ wall, offset: then, floor }) {
  const now = Date.now() + known.offset;
  const possible = (moment) => moment >= floor - SLACK_MS && moment <= now + SLACK_MS;
  const moment = [wall + then, wall + known.offset].find(possible);
  if (moment !== undefined) return { moment: Math.min(moment, now), doubtful: false };
  return { moment: Math.min(Math.max(wall + then, floor), now), doubtful: true };
}

export const written = (moment) =>
  new Date(moment).toLocaleString([], { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
