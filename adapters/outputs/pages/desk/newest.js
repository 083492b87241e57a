// What is wanted last wins: of wishes that come fast one at a time is fetched, and after it the
// newest.

const PATIENCE = 250; // milliseconds, after which what is under way gives way to what is wanted now
const AGAIN = 1000;
const GONE = 404;
const LATER = 503;

export class Refused extends Error {
  constructor(status, words) {
    super(words);
    this.status = status;
    this.isFinal = status !== LATER;
  }
}

// What a refusal says, in JSON or without it.
function told(text) {
  try {
    return JSON.parse(text).error;
  } catch {
    return text.trim();
  }
}

// JSON, or what the server says instead of it.
export async function fetched(path, signal) {
  const answer = await fetch(path, { signal });
  if (answer.ok) return answer.json();
  const text = await answer.text();
  throw new Refused(answer.status, told(text));
}

export function faultWords(fault) {
  return fault instanceof Refused ? fault.message : "no connection to lowhalf; it is asked again";
}

export class Newest {
  // *load* promises a wish's parts until its signal is raised, *came* is called with the wish and
  // what was promised, *failed* with it and words.
  constructor(load, came, failed) {
    this.load = load;
    this.came = came;
    this.failed = failed;
    this.wish = null;
    this.running = null;
    this.timer = 0;
  }

  want(wish) {
    this.wish = wish;
    clearTimeout(this.timer);
    if (this.running === null) this.start();
    else if (performance.now() - this.running.since > PATIENCE) this.instead();
  }

  drop() {
    this.wish = null;
    clearTimeout(this.timer);
    this.running?.control.abort();
    this.running = null;
  }

  instead() {
    this.running.control.abort();
    this.start();
  }

  async start() {
    const { wish } = this;
    const control = new AbortController();
    const run = { control, since: performance.now() };
    this.running = run;
    setTimeout(() => {
      if (this.running === run && this.wish !== wish) this.instead();
    }, PATIENCE);
    try {
      const parts = await this.load(wish, control.signal);
      if (this.running !== run) return;
      this.came(wish, parts);
    } catch (fault) {
      if (this.running !== run) return;
      this.failed(wish, faultWords(fault));
      // what is gone does not come back
      if (fault.status !== GONE) this.timer = setTimeout(() => this.want(this.wish), AGAIN);
    }
    this.running = null;
    if (this.wish !== null && this.wish !== wish) this.want(this.wish);
  }
}
