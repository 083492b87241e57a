// A past's timeline, asked for again until all of it is evaluated, and seldom then.

import { faultWords, fetched } from "./newest.js";

const ASK_AGAIN = 500; // milliseconds
const ALL = 15000; // the same once nothing more comes: what nobody asks for is not kept
const GONE = 404;

export function pathOf({ id }) {
  return `/past/${encodeURIComponent(id)}`;
}

// *came* is called with each timeline that comes anew, *failed* with words, until *signal* is
// raised.
export async function followTimeline(past, signal, came, failed) {
  let last = "";
  while (!signal.aborted) {
    let wait = ASK_AGAIN;
    try {
      const timeline = await fetched(`${pathOf(past)}/timeline.json`, signal);
      if (signal.aborted) return;
      const fresh = JSON.stringify(timeline);
      if (fresh !== last) came(timeline);
      last = fresh;
      if (timeline.fault || timeline.ready >= timeline.count) wait = ALL;
    } catch (fault) {
      if (signal.aborted) return;
      failed(faultWords(fault));
      if (fault.status === GONE) return;
    }
    await new Promise((done) => setTimeout(done, wait));
  }
}
