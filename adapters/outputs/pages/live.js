// The connection: whole snapshots in, an acknowledgement for each, and reconnection for ever.
// *parts* names what snapshots carry only for those who ask, such as "heap".

const FIRST_WAIT = 250;
const LONGEST_WAIT = 5000;
// The server repeats its newest snapshot every 2 s: a longer silence means that it is gone.
const SILENCE = 6000;

export function follow(onSnapshot, onLink, parts = []) {
  const query = parts.length > 0 ? `?parts=${parts.join(",")}` : "";
  let wait = FIRST_WAIT;

  function connect() {
    const socket = new WebSocket(`ws://${location.host}/live${query}`);
    let silence = 0;
    let over = false;

    function listen() {
      clearTimeout(silence);
      silence = setTimeout(end, SILENCE);
    }

    function end() {
      if (over) return;
      over = true;
      clearTimeout(silence);
      socket.close();
      onLink(false);
      setTimeout(connect, wait * (0.5 + Math.random() / 2));
      wait = Math.min(wait * 2, LONGEST_WAIT);
    }

    socket.onmessage = (event) => {
      if (over) return;
      listen();
      wait = FIRST_WAIT;
      const snapshot = JSON.parse(event.data);
      socket.send("ack");
      onLink(true);
      onSnapshot(snapshot);
    };
    socket.onclose = end;
    socket.onerror = end;
    listen();
  }

  connect();
}
