// The time of a page under test.  Where it is *still* it stands until a test moves it, for
// performance.now, timers, animation frames and transitions: what a page shows at which time then
// does not depend on the machine.
(still) => {
  const painted = window.requestAnimationFrame.bind(window);
  const soon = window.setTimeout.bind(window);
  const elapsed = performance.now.bind(performance);
  const timers = new Map();
  let asked = new Map();
  let arrived = () => {};
  let serial = 0;
  let now = 0;

  const timer = (again) => (run, wait = 0, ...all) => {
    const pause = Math.max(wait, 1);
    timers.set(++serial, { at: now + pause, again: again && pause, run: () => run(...all) });
    return serial;
  };
  if (still) {
    performance.now = () => now;
    window.setTimeout = timer(false);
    window.setInterval = timer(true);
    window.clearTimeout = window.clearInterval = (id) => timers.delete(id);
    window.requestAnimationFrame = (run) => {
      asked.set(++serial, run);
      return serial;
    };
    window.cancelAnimationFrame = (id) => asked.delete(id);
    window.WebSocket = class extends WebSocket {
      constructor(...all) {
        super(...all);
        // behind the page's own listener
        queueMicrotask(() => this.addEventListener("message", () => {
          clock.messages++;
          arrived();
        }));
      }
    };
  }

  function ring(until) {
    for (;;) {
      let next = null;
      for (const [id, { at }] of timers) {
        if (at <= until && (next === null || at < timers.get(next).at)) next = id;
      }
      if (next === null) return;
      const due = timers.get(next);
      now = Math.max(now, due.at);
      if (due.again) due.at += due.again;
      else timers.delete(next);
      due.run();
    }
  }

  // New transitions begin with the frame in which their cause is painted.
  function hold() {
    for (const each of document.getAnimations()) {
      if (each.playState !== "running") continue;
      each.pause();
      each.currentTime = 0;
    }
  }

  function move(step) {
    hold();
    for (const each of document.getAnimations()) {
      const at = each.currentTime + step;
      if (at < each.effect.getComputedTiming().endTime) each.currentTime = at;
      else each.finish();
    }
  }

  function frame(step) {
    const next = now + step;
    ring(next);
    now = next;
    move(step);
    const runs = asked;
    asked = new Map();
    for (const run of runs.values()) run(now);
    hold();
  }

  // What was sent and fetched comes in.
  const turn = () => new Promise((done) => soon(done));

  // What was laid out is told to observers as well.
  const paint = () => new Promise((done) => {
    painted(done);
    soon(done, 100); // a page that nobody sees paints nothing
  });

  const sorted = (key, value) => (value?.constructor === Object
    ? Object.fromEntries(Object.entries(value).sort()) : value);
  const text = (value) => JSON.stringify(value, sorted);

  const LEAP = 600; // the longest that a page waits for the sake of calm
  const LEAPS = 3; // together less than the silence after which a page takes the server for gone

  const clock = {
    messages: 0,

    // Milliseconds in frames of *step*.
    async pass(time, step) {
      for (let left = time; left > 1e-6; left -= step) {
        frame(Math.min(left, step));
        await turn();
      }
      await paint();
    },

    // The same after more than *seen* messages; returns how many there were.
    async after(seen, time, step) {
      while (this.messages <= seen) await new Promise((done) => (arrived = done));
      for (let left = time; left > 1e-6; left -= step) frame(Math.min(left, step));
      return this.messages;
    },

    async resized(width, height) {
      do await paint(); while (innerWidth !== width || innerHeight !== height);
    },

    // As many frames as a promise needs; returns what it gives.
    async during(promise) {
      let over = false;
      promise.finally(() => (over = true)).catch(() => {});
      while (!over) {
        await paint();
        if (still) frame(1000 / 60);
      }
      return promise;
    },

    // In leaps at first, then as time passes elsewhere.
    async until(find, wanted, patience) {
      const end = elapsed() + patience;
      for (let turns = 0; ; turns++) {
        let found;
        try {
          found = (await find()) ?? null;
        } catch (fault) {
          found = String(fault);
        }
        const met = text(found) === text(wanted);
        if (met || elapsed() > end) return { met, found };
        const before = elapsed();
        await paint();
        if (still) frame(turns < LEAPS ? LEAP : elapsed() - before);
      }
    },
  };
  Object.defineProperty(window, "clock", { value: clock });
}
