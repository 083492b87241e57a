/* A heap, and what an allocator and a player's actions do to it: the rules of
   bridge/planning/policy.py and of actions in bridge/planning/problem.py, and what makes heaps the
   same that differ in nothing that matters.

   The structs are written by the host (problem_tables.py): 32-bit words, or 64 bits for masks of
   kinds; addresses and sizes are units from the arena's start. */

typedef unsigned int u32;
typedef int i32;
typedef unsigned long long u64;

#define NONE 0xffffffffu
#define MAX_CELLS 4096
#define MAX_AGE (4 * MAX_CELLS)

enum { HOLE, WALL };
enum { FIRST, BEST, WORST, NEXT };
enum { ADDRESS, RECENT };
enum { LOW, HIGH };
enum { BOTH, BEHIND, BEFORE, WHEN_FULL };
enum { ALLOC, FREE, HOLD };
enum { NEWEST, OLDEST, LOWEST, HIGHEST, HELD };

typedef struct { u64 what; u32 code, how, count, unused; } Operation;
typedef struct { u32 frames, count; const Operation *operations; } Move;
typedef struct {
  u64 kinds;
  u32 low, high, end, clear_low, clear_high;
  const u32 *clear;
  u32 side, fill_at, fill_by, fill_most;
  const u32 *fill;
  const unsigned char *chain; /* 0 where there is none */
  u32 chain_low, chain_high, links_most;
  const u32 *links;
  u32 price_row, release_row;
  const u32 *prices; /* 0 where there are none */
  const u32 *releases;
} Test;
typedef struct {
  u32 fit, order, tried, carved, keeps_last, merge, carry_on;
  u32 least_rest, least, recent, in_order;
  const u32 *strides;
  u32 kept;
  const u32 *keeps;
  u32 test_count;
  const Test *tests;
} Build;
typedef struct {
  u64 permanent;
  u32 holds, groups, controls, move_count, builds;
  const u32 *group_of; /* of each kind: 0 for none, else 1 … groups */
  const i32 *next_control;
  const u32 *reaches, *sweeps;
  const Move *moves;
  const Build *build;
  u32 stride_bits, kind_bits, wide; /* a cell's number; whether it takes two words */
  const u32 *start;
  u32 bound; /* plans that cost more are not looked for */
  u32 prefix_length;
  const u32 *prefix;
  const u32 *not_next; /* of each move: whether it is none of those after the prefix */
} Problem;

typedef struct { u32 stride, kind, age; } Cell;
/* `age` is that of the newest, `mixed` the groups whose ages are to be told anew, as a mask. */
typedef struct { u64 mixed; u32 count, rover, held, age; Cell cells[MAX_CELLS + 1]; } Heap;

static const Problem *problem;
static u32 too_large; /* something came to be for which there is no room: all ends */
static u32 new_ages[MAX_AGE];

/* The allocator. */

static u32 larger(u32 one, u32 other) { return one > other ? one : other; }

static u32 in(u64 kinds, u32 kind) { return (u32)(kinds >> kind) & 1; }

static Cell *insert(Heap *heap, u32 at) {
  if (heap->count >= MAX_CELLS) { too_large = 1; return &heap->cells[MAX_CELLS]; }
  for (u32 i = heap->count++; i > at; i--) heap->cells[i] = heap->cells[i - 1];
  return &heap->cells[at];
}

static void remove(Heap *heap, u32 at) {
  heap->count--;
  for (u32 i = at; i < heap->count; i++) heap->cells[i] = heap->cells[i + 1];
}

static u32 address(const Heap *heap, u32 at) {
  u32 start = 0;
  for (u32 i = 0; i < at; i++) start += heap->cells[i].stride;
  return start;
}

/* The age group of a kind, 0 for none; that of holes comes last. */
static u32 group(const Build *build, u32 kind) {
  return kind == HOLE ? build->recent * (problem->groups + 1) : problem->group_of[kind];
}

static void mix(Heap *heap, const Build *build, u32 kind) {
  heap->mixed |= 1ull << group(build, kind);
}

/* The age of a new cell of a kind. */
static u32 newest(Heap *heap, const Build *build, u32 kind) {
  if (!group(build, kind)) return 0;
  mix(heap, build, kind);
  if (heap->age >= MAX_AGE - 1) too_large = 1;
  else heap->age++;
  return heap->age;
}

enum { NO_HOLE = -1, UNKNOWN = -2 };

/* The hole that is taken for so many units. */
static i32 chosen(const Heap *heap, const Build *build, u32 stride, u32 tried) {
  i32 taken = NO_HOLE, last = NO_HOLE;
  u32 alike = 0, start = 0, taken_wraps = 0;
  if (build->fit == NEXT && heap->rover == NONE) return UNKNOWN;
  for (u32 i = 0; i < heap->count; start += heap->cells[i++].stride) {
    const Cell *hole = &heap->cells[i], *other = &heap->cells[taken];
    if (hole->kind != HOLE || hole->stride < stride) continue;
    if (build->keeps_last && i == (tried == LOW ? heap->count - 1 : 0)) { last = (i32)i; continue; }
    u32 wraps = tried == LOW ? start < heap->rover : start > heap->rover;
    u32 better = tried == HIGH;
    if (taken == NO_HOLE) {
      better = 1;
    } else if ((build->fit == BEST || build->fit == WORST) && hole->stride != other->stride) {
      better = (build->fit == BEST) == (hole->stride < other->stride);
    } else if (build->fit == NEXT) {
      if (wraps != taken_wraps) better = wraps < taken_wraps;
    } else if (build->order == RECENT) {
      if (hole->age == other->age) { alike = 1; continue; }
      better = (tried == LOW) == (hole->age > other->age);
    }
    if (better) { taken = (i32)i; taken_wraps = wraps; alike = 0; }
  }
  if (taken == NO_HOLE) return last;
  return alike ? UNKNOWN : taken;
}

/* All holes that touch made one, each run in the place of its newest. */
static void join_all(Heap *heap) {
  u32 start = 0;
  for (u32 i = 0; i < heap->count; i++) {
    Cell *cell = &heap->cells[i];
    while (cell->kind == HOLE && i + 1 < heap->count && cell[1].kind == HOLE) {
      if (cell[1].age > cell->age) cell->age = cell[1].age;
      cell->stride += cell[1].stride;
      remove(heap, i + 1);
    }
    u32 end = start + cell->stride;
    if (cell->kind == HOLE && heap->rover != NONE && start < heap->rover && heap->rover < end)
      heap->rover = start;
    start = end;
  }
}

static u32 allocate(Heap *heap, const Build *build, u32 kind, u32 end) {
  u32 stride = build->strides[kind];
  u32 tried = end == NONE ? build->tried : end, carved = end == NONE ? build->carved : end;
  i32 at = chosen(heap, build, stride, tried);
  if (at == NO_HOLE && build->merge == WHEN_FULL) {
    join_all(heap);
    mix(heap, build, HOLE);
    at = chosen(heap, build, stride, tried);
  }
  if (at < 0) return at == NO_HOLE && build->carry_on;
  Cell *block = &heap->cells[at];
  u32 rest = block->stride - stride, rest_age = block->age;
  mix(heap, build, HOLE);
  if (rest >= build->least_rest) {
    u32 low = carved == LOW;
    Cell *other = insert(heap, (u32)at + low);
    *other = (Cell){rest, HOLE, rest_age};
    at += !low;
    block = &heap->cells[at];
    block->stride = stride;
  }
  block->kind = kind;
  block->age = newest(heap, build, kind);
  if (build->fit == NEXT)
    heap->rover = address(heap, (u32)at) + (tried == LOW ? block->stride : 0);
  return 1;
}

static void release(Heap *heap, const Build *build, u32 at) {
  u32 start = address(heap, at), merge = build->merge;
  Cell *cell = &heap->cells[at];
  if (heap->held == start) heap->held = NONE;
  mix(heap, build, cell->kind);
  cell->kind = HOLE;
  cell->age = newest(heap, build, HOLE);
  if ((merge == BOTH || merge == BEHIND) && at + 1 < heap->count && cell[1].kind == HOLE) {
    cell->stride += cell[1].stride;
    remove(heap, at + 1);
  }
  if ((merge == BOTH || merge == BEFORE) && at && cell[-1].kind == HOLE) {
    start -= cell[-1].stride;
    cell->stride += cell[-1].stride;
    remove(heap, at - 1);
    cell--;
  }
  if (heap->rover != NONE && start < heap->rover && heap->rover < start + cell->stride)
    heap->rover = start;
}

/* The block of some kinds that comes first, -1 where there is none; `alike` where another has as
   good a claim by its age. */
static i32 picked(const Heap *heap, u64 kinds, u32 how, u32 *alike) {
  i32 at = -1;
  u32 start = 0;
  *alike = 0;
  for (u32 i = 0; i < heap->count; start += heap->cells[i++].stride) {
    const Cell *cell = &heap->cells[i];
    if (cell->kind <= WALL || !in(kinds, cell->kind)) continue;
    if (how == HELD) {
      if (start == heap->held) return (i32)i;
    } else if (at < 0 || how == HIGHEST) {
      at = (i32)i;
    } else if (how != LOWEST) {
      u32 age = heap->cells[at].age;
      if (cell->age == age) *alike = 1;
      else if ((cell->age > age) == (how == NEWEST)) at = (i32)i, *alike = 0;
    }
  }
  return at;
}

/* So many blocks of some kinds released, or all for 0. */
static u32 release_some(Heap *heap, const Build *build, const Operation *which) {
  u32 alike, count = which->how == HELD ? 1 : which->count;
  for (u32 done = 1;; done++) {
    i32 at = picked(heap, which->what, which->how, &alike);
    if (at < 0) return !count;
    if (alike && (build->in_order || done == count)) return 0;
    release(heap, build, (u32)at);
    if (done == count) return 1;
  }
}

static u32 operate(Heap *heap, const Build *build, const Operation *what) {
  u32 held = heap->held, alike;
  i32 at;
  switch (what->code) {
  case ALLOC:
    return allocate(heap, build, (u32)what->what, what->how);
  case FREE:
    return release_some(heap, build, what);
  case HOLD:
    at = picked(heap, what->what, what->how, &alike);
    if (at < 0 || alike) return 0;
    heap->held = address(heap, (u32)at);
    return 1;
  default:
    heap->held = NONE;
    return held != NONE;
  }
}

/* What makes states the same that differ in nothing that matters. */

static u32 block_passes(const Test *test, const Cell *cell, u32 start) {
  return in(test->kinds, cell->kind) && cell->kind != HOLE && test->low <= start &&
         start <= test->high && start + cell->stride >= test->end;
}

static u32 is_wall(const Build *build, const Cell *cell, u32 start) {
  if (cell->kind == WALL) return 1;
  if (cell->kind == HOLE || !in(problem->permanent, cell->kind)) return 0;
  for (u32 i = 0; i < build->test_count; i++)
    if (block_passes(&build->tests[i], cell, start)) return 0;
  return 1;
}

static u32 keeps(const Build *build, u32 start, u32 end) {
  for (u32 i = 0; i < build->kept; i++)
    if (start <= build->keeps[i] && build->keeps[i] < end) return 1;
  return 0;
}

static void join_walls(Heap *heap, const Build *build) {
  u32 count = 0, start = 0, after_wall = 1;
  for (u32 i = 0; i < heap->count; i++) {
    Cell cell = heap->cells[i];
    u32 end = start + cell.stride;
    if (cell.kind != WALL && is_wall(build, &cell, start)) {
      mix(heap, build, cell.kind);
      cell = (Cell){cell.stride, WALL, 0};
    }
    if (cell.kind == HOLE && after_wall && cell.stride < build->least &&
        (i + 1 == heap->count || is_wall(build, &heap->cells[i + 1], end)) &&
        !keeps(build, start, end)) {
      mix(heap, build, HOLE);
      cell = (Cell){cell.stride, WALL, 0};
    }
    after_wall = cell.kind == WALL;
    if (after_wall && count && heap->cells[count - 1].kind == WALL)
      heap->cells[count - 1].stride += cell.stride;
    else
      heap->cells[count++] = cell;
    start = end;
  }
  heap->count = count;
}

static void settle_rover(Heap *heap) {
  u32 start = 0;
  for (u32 i = 0; i < heap->count; i++) {
    u32 end = start + heap->cells[i].stride;
    if (heap->cells[i].kind == WALL && start < heap->rover && heap->rover < end)
      heap->rover = start + 1;
    start = end;
  }
}

/* Ages told anew, of each group that is mixed from 0 for the oldest. */
static void rank(Heap *heap, const Build *build) {
  for (u32 of = 1; of <= problem->groups + 1; of++) {
    u32 next = 0, oldest = NONE, last = 0;
    if (!(heap->mixed >> of & 1)) continue;
    for (u32 i = 0; i < heap->count; i++) {
      const Cell *cell = &heap->cells[i];
      if (group(build, cell->kind) != of) continue;
      new_ages[cell->age] = 1;
      last = larger(last, cell->age);
      if (cell->age < oldest) oldest = cell->age;
    }
    for (u32 age = oldest; age <= last; age++)
      if (new_ages[age]) new_ages[age] = next++;
    for (u32 i = 0; i < heap->count; i++) {
      Cell *cell = &heap->cells[i];
      if (group(build, cell->kind) == of) cell->age = new_ages[cell->age];
    }
    for (u32 age = oldest; age <= last; age++) new_ages[age] = 0;
  }
}
