/* The search for a plan: A* over heaps, freestanding C for WebAssembly.

   What it is given is a `Problem` of bridge/planning/problem.py, which says all the rules.  A state is
   packed into words: its control, then for each build how many cells, its rover and its held block
   where it follows these, and a word or two for each cell.  Every state that was generated lies in
   memory as a node, which an open hash table finds again: two states are the same where all their
   words are.  Nodes that wait to be expanded hang in buckets, one for each cost. */

#include "heap.h"

#define EXPORT(name) __attribute__((export_name(#name))) name
#define NEVER (1u << 30)
#define MAX_BUILDS 8
#define MAX_STEPS 65536
#define BEYOND 255

enum { NO_SIDE, SIDE_LOW, SIDE_HIGH };
enum { GOING, DONE, FULL, TOO_LARGE, WRONG };

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

static Heap heaps[MAX_BUILDS], before[MAX_BUILDS];
static u32 words[1 + MAX_BUILDS * (2 * MAX_CELLS + 3)];
static u32 path[MAX_STEPS], walk[MAX_STEPS];
static Told told = {.best = NONE, .path = path, .words = words};

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
  if (told.states >= slots / 4 * 3 && !grown() && told.states >= slots / 16 * 15) {
    *status = FULL;
    return 0;
  }
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
