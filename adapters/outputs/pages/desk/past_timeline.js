// A past's timeline, asked for again until all of it is evaluated.

import { faultWords, fetched } from "./newest.js";

const ASK_AGAIN = 500; // milliseconds
const GONE = 404;

export function pathOf({ id }) {
  return `/past/${encodeURIComponent(id)}`;
}

// *came* is called with each timeline that comes, *failed* with words, until *signal* is raised.
export async function followTimeline(past, signal, came, failed) {
  while (!signal.aborted) {
    try {
      const timeline = await fetched(`${pathOf(past)}/timeline.json`, signal);
      if (signal.aborted) return;
      came(timeline);
      if (timeline.fault || timeline.ready >= timeline.count) return;
    } catch (fault) {
      if (signal.aborted) return;
      failed(faultWords(fault));
      if (fault.status === GONE) return;
    }
    await new Promise((done) => setTimeout(done, ASK_AGAIN));
  }
}
