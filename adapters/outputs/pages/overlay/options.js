// What the page's address asks for.  Whatever is not understood is told in words on the page.

export const THEMES = ["outline", "plate", "light", "dark", "contrast"];
export const PIECES = ["values", "steps", "attempts", "plan", "heap"];
const ACROSS = { left: "left", center: "center", centre: "center", right: "right" };
const DOWN = { top: "top", middle: "middle", bottom: "bottom" };
const KNOWN = ["watches", "scale", "theme", "align", "show"];

const SMALLEST_SCALE = 0.25;
const LARGEST_SCALE = 10;

function list(text) {
  return [...new Set((text ?? "").split(",").map((part) => part.trim()))].filter(Boolean);
}

function words(text) {
  return (text ?? "").toLowerCase().split(/[\s,+-]+/).filter(Boolean);
}

// What a query string asks for: the watches' names (none means all), scale, theme, alignment and
// pieces in their order, and sentences about what was not understood.
export function options(search) {
  const query = new URLSearchParams(search);
  const complaints = [];
  const chosen = {
    watches: list(query.get("watches")),
    scale: 1,
    theme: THEMES[0],
    across: "left",
    down: "top",
    show: [],
    heap: "",
    complaints,
  };

  const scale = query.get("scale");
  if (scale !== null) {
    const number = Number(scale);
    if (scale.trim() !== "" && number >= SMALLEST_SCALE && number <= LARGEST_SCALE) {
      chosen.scale = number;
    } else {
      complaints.push(
        `scale "${scale}": expected a number from ${SMALLEST_SCALE} to ${LARGEST_SCALE}`,
      );
    }
  }

  const theme = query.get("theme");
  if (theme !== null) {
    const name = theme.trim().toLowerCase();
    if (THEMES.includes(name)) chosen.theme = name;
    else complaints.push(`theme "${theme}": expected ${THEMES.join(", ")}`);
  }

  for (const word of words(query.get("align"))) {
    if (word in ACROSS) chosen.across = ACROSS[word];
    else if (word in DOWN) chosen.down = DOWN[word];
    else complaints.push(`align "${word}": expected left, center, right, top, middle, bottom`);
  }

  for (const word of list(query.get("show"))) {
    const [piece, ...name] = word.split(":"); // heap:NAME is one of several heaps
    if (PIECES.includes(word)) {
      chosen.show.push(word);
    } else if (piece === "heap" && name.length === 1 && !chosen.show.includes("heap")) {
      chosen.show.push("heap");
      [chosen.heap] = name;
    } else complaints.push(`show "${word}": expected ${PIECES.join(", ")}`);
  }
  // Without show, what there is of all but the heap; a piece that is asked for says why it is empty.
  chosen.asked = chosen.show.length > 0;
  if (!chosen.asked) chosen.show = PIECES.slice(0, 4);

  for (const key of query.keys()) {
    if (!KNOWN.includes(key)) complaints.push(`"${key}": expected ${KNOWN.join(", ")}`);
  }
  return chosen;
}
