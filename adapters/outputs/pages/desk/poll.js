// JSON that changes slowly: fetched again after a while, only while the page is seen.

const FIRST_WAIT = 1000;
const LONGEST_WAIT = 15000;

// *onValue* is called with what *path* gives each time.  Returns what asks for it at once.
export function poll(path, every, onValue) {
  let timer = 0;
  let wait = FIRST_WAIT;
  let running = false;
  let again = false;

  async function run() {
    clearTimeout(timer);
    if (running) {
      again = true; // what is under way may have been read before what is asked for now
      return;
    }
    if (document.hidden) {
      timer = setTimeout(run, every);
      return;
    }
    running = true;
    try {
      const answer = await fetch(path);
      if (!answer.ok) throw new Error(String(answer.status));
      onValue(await answer.json());
      wait = FIRST_WAIT;
      timer = setTimeout(run, every);
    } catch {
      timer = setTimeout(run, Math.max(every, wait));
      wait = Math.min(wait * 2, LONGEST_WAIT);
    } finally {
      running = false;
      if (again) {
        again = false;
        run();
      }
    }
  }

  run();
  return run;
}
