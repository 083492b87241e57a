// The connection: whole snapshots in, an acknowledgement for each, and reconnection for ever.
// *parts* names what snapshots carry only for those who ask, such as "heap".

const FIRST_WAIT = 250;
const LONGEST_WAIT = 5000;
// The server repeats its newest snapshot every 2 s: a longer silence means that it is gone.
const SILENCE = 6000;

// *told* gives what the page has to tell the desk since it does not show it itself.
export function follow(onSnapshot, onLink, parts = [], told = () => "") {
  const query = parts.length > 0 ? `?parts=${parts.join(",")}` : "";
  return stream(`/live${query}`, onSnapshot, onLink, told);
}

// The same for any path that sends whole messages.  Returns what ends it for good.
export function stream(path, onMessage, onLink, told = () => "") {
  let wait = FIRST_WAIT;
  let current = null;
  let again = 0;
  let ended = false;

  function connect() {
    const socket = new WebSocket(`ws://${location.host}${path}`);
    current = socket;
    let silence = 0;
    let over = false;
    let said = "";

    function listen() {
      clearTimeout(silence);
      silence = setTimeout(end, SILENCE);
    }

    function end() {
      if (over) return;
      over = true;
      clearTimeout(silence);
      socket.close();
      if (ended) return;
      onLink(false);
      again = setTimeout(connect, wait * (0.5 + Math.random() / 2));
      wait = Math.min(wait * 2, LONGEST_WAIT);
    }

    socket.onmessage = (event) => {
      if (over || ended) return;
      listen();
      wait = FIRST_WAIT;
      const message = JSON.parse(event.data);
      socket.send("ack");
      onLink(true);
      onMessage(message);
      if (told() !== said) {
        said = told();
        socket.send(`told ${said}`);
      }
    };
    socket.onclose = end;
    socket.onerror = end;
    listen();
  }

  connect();
  return () => {
    ended = true;
    clearTimeout(again);
    // browsers complain of a socket that is closed before it is open
    if (current.readyState === WebSocket.CONNECTING) current.onopen = () => current.close();
    else current.close();
  };
}
