// Game pads, by the standard Gamepad API: a button counts when it goes down, never while it is held.

// Which buttons went down from one look to the next.
export class PadEdges {
  constructor() {
    this.held = new Map(); // buttons by the pad
  }

  // *pads* are what navigator.getGamepads gives; gives [{pad, button}].  What is held when a pad is
  // seen first was not pressed for this page.
  look(pads) {
    const down = [];
    const seen = new Map();
    for (const pad of pads) {
      if (!pad?.connected) continue;
      const now = new Set([...pad.buttons.keys()].filter((i) => pad.buttons[i].pressed));
      const before = this.held.get(pad.index);
      if (before) for (const button of now) if (!before.has(button)) down.push({ pad: pad.id, button });
      seen.set(pad.index, now);
    }
    this.held = seen;
    return down;
  }

  get any() {
    return this.held.size > 0;
  }
}

// Looks at the pads in every picture, but only while there is one; *pressed* is called with each
// button that goes down.
export function watchPads(pressed) {
  const edges = new PadEdges();
  let looks = false;

  function look() {
    for (const each of edges.look(navigator.getGamepads())) pressed(each);
    looks = edges.any;
    if (looks) requestAnimationFrame(look);
  }

  function begin() {
    if (!looks) look();
  }

  if (navigator.getGamepads === undefined) return;
  addEventListener("gamepadconnected", begin);
  begin();
}
