/* The search for a plan: A* over heaps, freestanding C for WebAssembly.

   What it is given is a `Problem` of bridge/planning/problem.py, which says all the rules, and those
   of policy.py for handing out and taking back; the host writes it into the memory as the structs
   below.  Addresses and sizes are units from the arena's start.

   A state is packed into words: its control, then for each build how many cells, its rover and its
   held block where it follows these, and a word or two for each cell.  Every state that was
   generated lies in memory as a node, which an open hash table finds again: two states are the same
   where all their words are.  Nodes that wait to be expanded hang in buckets, one for each cost. */

typedef unsigned int u32;
typedef int i32;
typedef unsigned long long u64;

#define EXPORT(name) __attribute__((export_name(#name))) name
#define NONE 0xffffffffu
#define NEVER (1u << 30)
#define MAX_BUILDS 8
#define MAX_CELLS 4096
#define MAX_AGE (4 * MAX_CELLS)
#define MAX_STEPS 65536
#define BEYOND 255

enum { HOLE, WALL };
enum { FIRST, BEST, WORST, NEXT };
enum { ADDRESS, RECENT };
enum { LOW, HIGH };
enum { BOTH, BEHIND, BEFORE, WHEN_FULL };
enum { ALLOC, FREE, HOLD };
enum { NEWEST, OLDEST, LOWEST, HIGHEST, HELD };
enum { NO_SIDE, SIDE_LOW, SIDE_HIGH };
enum { GOING, DONE, FULL, TOO_LARGE, WRONG };

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
typedef struct Node {
  struct Node *next, *parent;
  u32 cost, move, length, words[];
} Node;
typedef struct { Node *node; u32 hash; } Slot;
typedef struct {
  u64 expanded, generated;
  u32 states, floor, best, memory;
  u32 bounded; /* whether something was left aside that costs more than the bound */
  u32 steps;
  const u32 *path; /* the moves of the best plan, the last one first */
  const u32 *words; /* the state after `perform` */
  u32 far, reached;
} Told;

static const Problem *problem;
static Heap heaps[MAX_BUILDS], before[MAX_BUILDS];
static u32 words[1 + MAX_BUILDS * (2 * MAX_CELLS + 3)];
static u32 new_ages[MAX_AGE], path[MAX_STEPS], walk[MAX_STEPS];
static Told told = {.best = NONE, .path = path, .words = words};
static u32 too_large;

static Slot *table;
static u32 slots;
static Node **buckets, *root;

/* Memory: taken from the bottom up and never given back.  Fresh pages are zero. */

extern unsigned char __heap_base;
static u64 used, limit = 1ull << 32;

void EXPORT(limit_memory)(u32 bytes) { limit = bytes; }

void *EXPORT(room)(u32 bytes) {
  if (!used) used = ((u32)&__heap_base + 15) & ~15u;
  u64 at = used, end = (at + bytes + 7) & ~7ull;
  u64 there = (u64)__builtin_wasm_memory_size(0) << 16;
  if (end > limit) return 0;
  if (end > there) {
    u64 more = end - there, spare = limit - there;
    if (more < 1 << 20) more = spare < 1 << 20 ? spare : 1 << 20;
    if (__builtin_wasm_memory_grow(0, (u32)((more + 65535) >> 16)) == -1ul) return 0;
  }
  used = end;
  return (void *)(u32)at;
}

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

/* How many blocks must be handed out at least before one lies as the test has it, and the frames
   that these and the releases of what is in their way cost at least. */
static u32 linked(const Heap *heap, const Test *test, u32 reach, u32 *price) {
  u32 least = BEYOND, start = 0, end = 0;
  const u32 *prices = test->prices ? test->prices + reach * test->price_row : 0;
  const u32 *releases = test->releases + reach * test->release_row;
  *price = NEVER;
  for (u32 i = 0;; i++, start = end) {
    if (test->chain[start] < least) least = test->chain[start];
    if (prices && prices[start] < *price) *price = prices[start];
    if (i == heap->count) return least;
    u32 kind = heap->cells[i].kind;
    end = start + heap->cells[i].stride;
    if (kind == HOLE) continue;
    if (start < test->chain_low || (start < test->clear_high && end > test->clear_low)) {
      *price = *price + releases[kind] < NEVER ? *price + releases[kind] : NEVER;
    }
    if (kind == WALL && start >= test->chain_high) return least;
    if (kind == WALL && end <= test->chain_low) { least = BEYOND; *price = NEVER; }
  }
}

/* How far a heap is from its goals at least; 0 where all of its tests pass. */
static u32 heuristic(const Heap *heap, const Build *build, u32 control, u32 *reached) {
  u32 most = 0;
  for (u32 i = 0; i < build->test_count; i++) {
    const Test *test = &build->tests[i];
    u32 passes = 0, fill = 0, start = 0, far = 0;
    for (u32 k = 0; k < heap->count && !passes; k++) {
      const Cell *cell = &heap->cells[k];
      u32 end = start + cell->stride;
      if (cell->kind != HOLE) {
        passes = block_passes(test, cell, start);
        if (start < test->clear_high && end > test->clear_low) {
          far = larger(far, test->clear[cell->kind * problem->controls + control]);
        }
      } else {
        passes = !test->kinds && start <= test->low && test->low < end;
        u32 low = start, high = end;
        if (test->side == SIDE_LOW && high > test->fill_at) high = test->fill_at;
        if (test->side == SIDE_HIGH && low < test->fill_at) low = test->fill_at;
        if (test->side != NO_SIDE && high > low) fill += (high - low) / test->fill_by;
      }
      start = end;
    }
    if (passes) continue;
    *reached = 0;
    if (fill > test->fill_most) fill = test->fill_most;
    far = larger(far, test->fill[fill * problem->controls + control]);
    if (test->chain) {
      u32 price, links = linked(heap, test, problem->reaches[control], &price);
      u32 least = links < test->links_most ? links : test->links_most;
      far = larger(far, links == BEYOND ? NEVER : test->links[least * problem->controls + control]);
      if (test->prices) far = larger(far, price);
    }
    most = larger(most, far);
  }
  return most;
}

/* States as words. */

static u32 *pack(u32 *to, const Heap *heap, const Build *build) {
  u32 kind_at = problem->stride_bits, age_at = kind_at + problem->kind_bits;
  *to++ = heap->count;
  if (build->fit == NEXT) *to++ = heap->rover;
  if (problem->holds) *to++ = heap->held;
  for (u32 i = 0; i < heap->count; i++) {
    const Cell *cell = &heap->cells[i];
    u64 number = cell->stride | (u64)cell->kind << kind_at | (u64)cell->age << age_at;
    *to++ = (u32)number;
    if (problem->wide) *to++ = (u32)(number >> 32);
    else if (number >> 32) too_large = 1;
  }
  return to;
}

static const u32 *unpack(const u32 *from, Heap *heap, const Build *build) {
  u32 kind_at = problem->stride_bits, age_at = kind_at + problem->kind_bits;
  heap->age = heap->count = *from++;
  heap->mixed = 0;
  heap->rover = build->fit == NEXT ? *from++ : NONE;
  heap->held = problem->holds ? *from++ : NONE;
  for (u32 i = 0; i < heap->count; i++) {
    u64 number = *from++;
    if (problem->wide) number |= (u64)*from++ << 32;
    heap->cells[i] = (Cell){(u32)(number & ((1ull << kind_at) - 1)),
                            (u32)(number >> kind_at & ((1ull << problem->kind_bits) - 1)),
                            (u32)(number >> age_at)};
  }
  return from;
}

static void copy(Heap *to, const Heap *from) {
  to->mixed = 0, to->count = from->count, to->age = from->age;
  to->rover = from->rover, to->held = from->held;
  for (u32 i = 0; i < from->count; i++) to->cells[i] = from->cells[i];
}

static u32 hashed(u32 length) {
  u64 hash = length;
  for (u32 i = 0; i < length; i++) {
    hash = (hash ^ words[i]) * 0x9e3779b97f4a7c15ull;
    hash ^= hash >> 29;
  }
  return (u32)(hash ^ hash >> 32);
}

/* The search. */

static u32 grown(void) {
  u32 old = slots, size = old ? 2 * old : 1 << 14;
  if (size > 1 << 28) return 0;
  Slot *to = room(size * sizeof(Slot));
  if (!to) return 0;
  for (u32 i = 0; i < old; i++) {
    u32 at = table[i].hash & (size - 1);
    if (!table[i].node) continue;
    while (to[at].node) at = (at + 1) & (size - 1);
    to[at] = table[i];
  }
  table = to;
  slots = size;
  return 1;
}

/* The place of the state in `words` in the table, or where it belongs. */
static Slot *found(u32 length, u32 hash) {
  for (u32 at = hash & (slots - 1);; at = (at + 1) & (slots - 1)) {
    Slot *slot = &table[at];
    if (!slot->node) return slot;
    if (slot->hash != hash || slot->node->length != length) continue;
    u32 i = 0;
    while (i < length && slot->node->words[i] == words[i]) i++;
    if (i == length) return slot;
  }
}

/* The state in `words` as a node, where it was not reached as cheaply before: 0 where it was, or
   where the memory is full, which the status tells. */
static Node *put(u32 length, u32 cost, u32 move, Node *parent, u32 *status) {
  *status = GOING;
  if (told.states >= slots / 4 * 3 && !grown()) { *status = FULL; return 0; }
  u32 hash = hashed(length);
  Slot *slot = found(length, hash);
  if (slot->node && slot->node->cost <= cost) return 0;
  Node *node = room(sizeof(Node) + 4 * length);
  if (!node) { *status = FULL; return 0; }
  *node = (Node){0, parent, cost, move, length};
  for (u32 i = 0; i < length; i++) node->words[i] = words[i];
  if (slot->node) slot->node->cost = NONE; /* the dearer way there is not gone again */
  else told.states++;
  *slot = (Slot){node, hash};
  return node;
}

/* A heap as words, when all is the same that makes no difference; how far it is from the goal. */
static u32 *packed(u32 *to, Heap *heap, const Build *build, u32 control, u32 *far, u32 *reached) {
  join_walls(heap, build);
  if (build->fit == NEXT) settle_rover(heap);
  rank(heap, build);
  u32 least = heuristic(heap, build, control, reached), swept = problem->sweeps[control];
  *far = larger(*far, least < swept ? least : swept);
  return pack(to, heap, build);
}

/* What an action makes of the heaps in `before`: the length of the state in `words`, 0 where it is
   not possible; how far that is from the goal at least, and whether it is one. */
static u32 moved(u32 control, u32 action, u32 *far, u32 *reached) {
  i32 next = problem->next_control[control * problem->move_count + action];
  const Move *move = &problem->moves[action];
  u32 *to = words;
  if (next < 0) return 0;
  *to++ = (u32)next;
  *far = 0;
  *reached = 1;
  for (u32 b = 0; b < problem->builds; b++) {
    const Build *build = &problem->build[b];
    Heap *heap = &heaps[b];
    copy(heap, &before[b]);
    for (u32 i = 0; i < move->count; i++)
      if (!operate(heap, build, &move->operations[i]) || too_large) return 0;
    to = packed(to, heap, build, (u32)next, far, reached);
  }
  return (u32)(to - words);
}

static u32 unpack_all(const u32 *from) {
  u32 control = *from++;
  for (u32 b = 0; b < problem->builds; b++) from = unpack(from, &before[b], &problem->build[b]);
  return control;
}

/* The best plan so far: the moves to a node, and so many of the walk behind it. */
static void better(u32 cost, const Node *node, u32 steps) {
  u32 count = 0;
  while (steps && count < MAX_STEPS) path[count++] = walk[--steps];
  for (; node->parent && count < MAX_STEPS; node = node->parent) path[count++] = node->move;
  if (count == MAX_STEPS) { too_large = 1; return; }
  told.best = cost;
  told.steps = count;
}

static u32 expanded(Node *node, const u32 *left_out) {
  u32 control = unpack_all(node->words), status = GOING;
  told.expanded++;
  for (u32 action = 0; action < problem->move_count && status == GOING; action++) {
    u32 far, reached, length;
    if (left_out && left_out[action]) continue;
    length = moved(control, action, &far, &reached);
    if (too_large) return TOO_LARGE;
    if (!length) continue;
    told.generated++;
    if (far >= NEVER) continue;
    u32 cost = node->cost + problem->moves[action].frames, least = larger(cost + far, told.floor);
    if (least > problem->bound && !told.bounded) {
      const Node *known = found(length, hashed(length))->node;
      told.bounded = !known || known->cost > cost;
    }
    if (least > problem->bound || least >= told.best) continue;
    Node *child = put(length, cost, action, node, &status);
    if (!child) continue;
    if (reached) {
      better(cost, child, 0);
      continue;
    }
    child->next = buckets[least];
    buckets[least] = child;
  }
  return too_large ? TOO_LARGE : status;
}

/* Begin with a problem. */
u32 EXPORT(begin)(const Problem *of) {
  u32 status = GOING, far = 0, reached = 1, length, *to = words;
  Node *node = 0;
  problem = of;
  buckets = room((of->bound + 1) * sizeof(Node *));
  if (!buckets || !grown()) return FULL;
  *to++ = unpack_all(of->start);
  for (u32 b = 0; b < of->builds; b++) {
    before[b].mixed = ~0ull;
    to = packed(to, &before[b], &of->build[b], of->start[0], &far, &reached);
  }
  length = (u32)(to - words);
  if (!(node = put(length, 0, NONE, 0, &status))) return status;
  for (u32 i = 0; i < of->prefix_length; i++) {
    /* these are closed: with no cost they are not entered again */
    u32 cost = node->cost + of->moves[of->prefix[i]].frames;
    if (!(length = moved(unpack_all(node->words), of->prefix[i], &far, &reached))) return WRONG;
    node->cost = 0;
    if (!(node = put(length, cost, of->prefix[i], node, &status))) return status ? status : WRONG;
    if (too_large) return TOO_LARGE;
  }
  told.memory = (u32)used;
  root = node;
  if (reached && node->cost <= of->bound) better(node->cost, node, 0);
  if (far >= NEVER) return GOING;
  told.floor = node->cost + far;
  if (told.floor > of->bound) { told.bounded = 1; return GOING; }
  buckets[told.floor] = node;
  return GOING;
}

/* Expand so many states. */
u32 EXPORT(search)(u32 slice) {
  u32 status = GOING;
  while (slice && status == GOING) {
    u32 last = told.best <= problem->bound ? told.best : problem->bound + 1;
    while (told.floor < last && !buckets[told.floor]) told.floor++;
    if (told.floor >= last) { status = DONE; break; }
    Node *node = buckets[told.floor];
    buckets[told.floor] = node->next;
    if (node->cost == NONE) continue;
    status = expanded(node, node == root ? problem->not_next : 0);
    slice--;
  }
  told.memory = (u32)used;
  return status;
}

static u32 here;

/* Stand where a search begins. */
void EXPORT(stand)(void) { here = unpack_all(root->words); }

/* Do one action where one stands, if it is possible: how many words the state has then, else 0. */
u32 EXPORT(perform)(u32 action) {
  u32 length = moved(here, action, &told.far, &told.reached);
  if (length) here = unpack_all(words);
  return length;
}

/* Try so many moves at random, from the beginning again whenever that leads no further. */
u32 EXPORT(wander)(u32 moves, u32 seed) {
  u64 random = seed * 0x9e3779b97f4a7c15ull + 1;
  u32 most = 8;
  while (moves && told.best > root->cost) {
    u32 cost = root->cost, steps = 0, vain = 0;
    here = unpack_all(root->words);
    for (; moves && steps < most && vain < 2 * problem->move_count; moves--) {
      u32 far, reached, length;
      random ^= random << 13, random ^= random >> 7, random ^= random << 17;
      u32 action = (u32)(random >> 32) % problem->move_count;
      u32 after = cost + problem->moves[action].frames;
      vain++;
      if (after > problem->bound || (!steps && problem->not_next[action])) continue;
      length = moved(here, action, &far, &reached);
      if (too_large) return TOO_LARGE;
      if (!length || far >= NEVER || after + far > problem->bound || after + far >= told.best)
        continue;
      if (problem->prefix_length && found(length, hashed(length))->node) continue;
      here = unpack_all(words);
      walk[steps++] = action;
      cost = after;
      vain = 0;
      told.generated++;
      if (!reached) continue;
      better(cost, root, steps);
      break;
    }
    most = most == 128 ? 8 : 2 * most;
    if (moves) moves--;
  }
  return GOING;
}

const Told *EXPORT(tell)(void) { return &told; }
