// Both passes over a junction tree, a block of threads for a few rows: the arrays are those of
// loopodds/inference/kernels.py, which does the same for a few rows at a time.
//
// The rows of a block, ROWS of them, stand side by side, number by number, and a thread works on
// all of them. A large clique has all threads of the block; small ones, of which none needs
// another, have a warp each. No belief is kept: from its likelihoods and messages each clique is
// multiplied out anew on the way back, so that what a block keeps is small enough for the memory
// of its processor.

#ifndef WARP
#define WARP 32
#endif
#define WARPS (THREADS / WARP)
#define MOST_AT_ONCE 3  // groups that multiply a clique from registers
#define FOLDED 2        // cells of a likelihood that a thread works out at a time
#define FEW 16          // configurations that one thread adds up alone in any case
#define ALL_LANES 0xffffffffu

typedef long long i64;

extern __shared__ double shared[];

// A number for each row.
template <typename T>
struct alignas(sizeof(T) * ROWS < 16 ? sizeof(T) * ROWS : 16) Rows {
    T x[ROWS];
};

template <typename T>
__device__ static Rows<T> load(const T *place, int at)
{
    return *(const Rows<T> *)(place + at * ROWS);
}

template <typename T>
__device__ static void store(T *place, int at, const Rows<T> &rows)
{
    *(Rows<T> *)(place + at * ROWS) = rows;
}

template <typename T, typename TO>
__device__ static Rows<T> each(TO to)
{
    Rows<T> rows;
#pragma unroll
    for (int b = 0; b < ROWS; b++) rows.x[b] = to(b);
    return rows;
}

template <typename T>
__device__ static T pick(const Rows<T> &rows, int row)
{
    T x = rows.x[0];
#pragma unroll
    for (int b = 1; b < ROWS; b++) x = b == row ? rows.x[b] : x;
    return x;
}

struct Add {
    template <typename T> __device__ T operator()(T a, T b) const { return a + b; }
};

struct Larger {
    template <typename T> __device__ T operator()(T a, T b) const { return a > b ? a : b; }
};

// Over the lanes of a warp, for all of them. Lanes first share out the rows.
template <typename T, typename WITH>
__device__ static Rows<T> over_warp(Rows<T> rows, WITH with)
{
    const int lane = threadIdx.x % WARP;
    int apart = 1;
#pragma unroll
    for (int half = ROWS / 2; half > 0; half /= 2, apart *= 2) {
        const bool upper = lane & apart;
#pragma unroll
        for (int b = 0; b < half; b++) {
            const T given = upper ? rows.x[b] : rows.x[b + half];
            const T kept = upper ? rows.x[b + half] : rows.x[b];
            rows.x[b] = with(kept, __shfl_xor_sync(ALL_LANES, given, apart));
        }
    }
    T x = rows.x[0];
#pragma unroll
    for (; apart < WARP; apart *= 2) x = with(x, __shfl_xor_sync(ALL_LANES, x, apart));
    return each<T>([&](int b) {
        int holder = 0;
#pragma unroll
        for (int half = ROWS / 2, bit = 1; half > 0; half /= 2, bit *= 2)
            if (b & half) holder += bit;
        return __shfl_sync(ALL_LANES, x, holder);
    });
}

// The threads that work on a clique: all of the block, or a warp.
struct Team {
    bool whole;
    int number, size, warp, warps, lane;
    int flip;  // sums over the block have two places in turn: all have read the other by then

    __device__ void become(bool all)
    {
        whole = all;
        number = all ? threadIdx.x : threadIdx.x % WARP;
        size = all ? THREADS : WARP;
        warp = number / WARP;
        warps = size / WARP;
        lane = number % WARP;
    }

    __device__ void wait() const
    {
        if (whole)
            __syncthreads();
        else
            __syncwarp();
    }

    // Over all threads, for all of them; what any wrote before can be read after.
    template <typename T, typename WITH>
    __device__ Rows<T> over(Rows<T> rows, WITH with)
    {
        rows = over_warp(rows, with);
        if (!whole) {
            __syncwarp();
            return rows;
        }
        flip = 1 - flip;
        T *const part = (T *)(shared + flip * WARPS * ROWS);
        if (lane == 0) store(part, warp, rows);
        __syncthreads();
        rows = load(part, 0);
#pragma unroll 1
        for (int w = 1; w < WARPS; w++) {
            const Rows<T> other = load(part, w);
            rows = each<T>([&](int b) { return with(rows.x[b], other.x[b]); });
        }
        return rows;
    }
};

__device__ static void add_if(bool so, Rows<REAL> &sum, const Rows<REAL> &x)
{
#pragma unroll
    for (int b = 0; b < ROWS; b++) sum.x[b] += so ? x.x[b] : (REAL)0;
}

__device__ static void times(Rows<REAL> &x, const Rows<REAL> &y)
{
#pragma unroll
    for (int b = 0; b < ROWS; b++) x.x[b] *= y.x[b];
}

// Every step-th from the first, some at a time: all their numbers are on their way before the first
// is used. Beyond the end the first of them comes once more, which is told; a branch around its use
// would let the compiler put what is fetched behind it.
template <int AT_A_TIME, typename FETCH, typename USE>
__device__ static void in_batches(int first, int end, int step, FETCH fetch, USE use)
{
#pragma unroll 1
    for (int c = first; c < end; c += AT_A_TIME * step) {
        int at[AT_A_TIME];
        Rows<REAL> x[AT_A_TIME];
#pragma unroll
        for (int i = 0; i < AT_A_TIME; i++) at[i] = c + i * step < end ? c + i * step : c;
        fetch(at, x);
#pragma unroll
        for (int i = 0; i < AT_A_TIME; i++) use(at[i], x[i], c + i * step < end);
    }
}

// Numbers at the places that a list gives.
struct Listed {
    const REAL *array;
    const int *list;

    template <int N>
    __device__ void operator()(const int (&at)[N], Rows<REAL> (&x)[N]) const
    {
        int place[N];
#pragma unroll
        for (int i = 0; i < N; i++) place[i] = __ldg(list + at[i]);
#pragma unroll
        for (int i = 0; i < N; i++) x[i] = load(array, place[i]);
    }
};

// Sums of the configurations of each cell: a list has the first of all cells, then the second. Few
// cells of many configurations have a warp each.
template <int AT_A_TIME, typename FETCH, typename SINK>
__device__ static void sums(const Team &me, int cells, int run, FETCH fetch, SINK sink)
{
    const bool split = run > FEW && cells <= me.warps;
    const int first = split ? me.warp : me.number, step = split ? me.warps : me.size;
    for (int s = first; s < cells; s += step) {
        Rows<REAL> sum = each<REAL>([](int) { return (REAL)0; });
        in_batches<AT_A_TIME>(
            split ? s + me.lane * cells : s, run * cells, split ? cells * WARP : cells, fetch,
            [&](int, const Rows<REAL> &x, bool once) { add_if(once, sum, x); });
        if (split) sum = over_warp(sum, Add());
        if (!split || me.lane == 0) sink(s, sum);
    }
}

// to = (source or ones) times a likelihood, cell by cell; both may be the same.
template <typename FETCH>
__device__ static void fold(
    const Team &me, REAL *to, const REAL *source, int cells, FETCH fetch)
{
    const auto both = [=](const int(&at)[FOLDED], Rows<REAL>(&x)[FOLDED]) {
        fetch(at, x);
        if (!source) return;
        Rows<REAL> y[FOLDED];
#pragma unroll
        for (int i = 0; i < FOLDED; i++) y[i] = load(source, at[i]);
#pragma unroll
        for (int i = 0; i < FOLDED; i++) times(x[i], y[i]);
    };
    in_batches<FOLDED>(me.number, cells, me.size, both, [=](int c, const Rows<REAL> &x, bool) {
        store(to, c, x);
    });
}

// Likelihoods that are worked out one by one.
template <typename LIKELIHOOD>
struct Computed {
    LIKELIHOOD likelihood;

    template <int N>
    __device__ void operator()(const int (&at)[N], Rows<REAL> (&x)[N]) const
    {
#pragma unroll
        for (int i = 0; i < N; i++) x[i] = likelihood(at[i]);
    }
};

template <typename LIKELIHOOD>
__device__ static Computed<LIKELIHOOD> computed(LIKELIHOOD likelihood)
{
    return {likelihood};
}

// What passes.py packs: a record for each, and one more, where lists of the one before end.
struct Clique {
    int start, run, parent, sep_start, first_child, first_group, wanted, first_inside;
    int first_between, belief_at;
};
struct Edge {
    int child, home_at, run;
};
struct Group {
    int child, within, cells, at, map_at, first_member;
};
struct Factor {
    int kind, column, states, configs, table_at, member_at, gauge_at;
};
struct Query {
    int cells, at, run, out;
};
struct Stage {  // cliques that can be worked on at a time, a warp each, or one for the whole block
    int whole, first;
};

struct Tree {
    const Clique *clique;
    const Edge *edge;
    const Group *group;
    const Factor *factor;
    const Query *query;
    const Stage *stage;
    const int *turn;  // cliques stage by stage

    __device__ Tree(
        const int *at, int cliques, int edges, int groups, int factors, int queries, int stages)
        : clique((const Clique *)at), edge((const Edge *)(clique + cliques + 1)),
          group((const Group *)(edge + edges + 1)), factor((const Factor *)(group + groups + 1)),
          query((const Query *)(factor + factors + 1)),
          stage((const Stage *)(query + queries + 1)), turn((const int *)(stage + stages + 1))
    {
    }
};

// One likelihood that becomes part of a group's, or (factor below zero) one group of another's.
struct Step {
    int factor, cells, from, to, own, map;
};

// An array that multiplies a clique, and the map that leads to it.
struct Joined {
    int from, map;
};

// What the rows of a block have seen, and what is to be done because of it.
struct Program {
    i64 *row;   // below zero: none
    int *said;  // state of each factor and row; below zero nothing is said
    int *source, *step_count, *joined_count;
    Joined *joined;
    Step *steps;

    __device__ Program(int *at, int cliques, int groups, int factors)
        : row((i64 *)at), said((int *)(row + ROWS)), source(said + factors * ROWS), step_count(source + groups),
          joined_count(step_count + cliques), joined((Joined *)(joined_count + cliques)),
          steps((Step *)(joined + groups))
    {
    }

    __device__ Step *steps_of(const Tree &tree, int k) const
    {
        const int group = tree.clique[k].first_group;
        return steps + group + tree.group[group].first_member;
    }

    __device__ bool speaks(int factor) const
    {
        for (int b = 0; b < ROWS; b++)
            if (said[factor * ROWS + b] >= 0) return true;
        return false;
    }

    // Likelihoods of a group become one array; a group within another is folded in.
    __device__ void lay_out(const Tree &tree, int k)
    {
        const int these = tree.clique[k].first_group, next = tree.clique[k + 1].first_group;
        Step *const first = steps_of(tree, k), *step = first;
        Joined *join = joined + these;
        for (int g = these; g < next; g++) {
            const int child = tree.group[g].child;
            source[g] = child >= 0 ? tree.clique[child].sep_start : -1;
        }
        for (int g = these; g < next; g++) {
            const Group &group = tree.group[g];
            int from = source[g];
            for (int f = group.first_member; f < tree.group[g + 1].first_member; f++) {
                if (!speaks(f)) continue;
                *step++ = {f, group.cells, from, group.at, 0, tree.factor[f].member_at};
                from = group.at;
            }
            if (from < 0) continue;
            if (group.within < 0) {
                *join++ = {from, group.map_at};
                continue;
            }
            const Group &host = tree.group[group.within];
            *step++ = {-1, host.cells, source[group.within], host.at, from, group.map_at};
            source[group.within] = host.at;
        }
        step_count[k] = (int)(step - first);
        joined_count[k] = (int)(join - joined) - these;
    }
};

// Messages between cliques, then the arrays of groups: numbered through, kept apart.
struct Arrays {
    REAL *messages, *folds;
    int between;

    __device__ REAL *operator()(int at) const
    {
        return at < between ? messages + (i64)at * ROWS : folds + (i64)(at - between) * ROWS;
    }
};

// Prior of a clique times some groups, at one configuration.
struct Product {
    const REAL *prior;
    const REAL *array[MOST_AT_ONCE];
    const int *map[MOST_AT_ONCE];
    const Arrays &arrays;
    const int *maps;
    const Joined *joined;
    int count;

    __device__ Product(
        const REAL *prior, const Arrays &arrays, const int *maps, const Joined *joined, int count,
        const REAL *ones)
        : prior(prior), arrays(arrays), maps(maps), joined(joined), count(count)
    {
#pragma unroll
        for (int g = 0; g < MOST_AT_ONCE; g++) {
            array[g] = g < count ? arrays(joined[g].from) : ones;
            map[g] = maps + (g < count ? joined[g].map : 0);  // the first leads to one place
        }
    }

    template <int N>
    __device__ void operator()(const int (&at)[N], Rows<REAL> (&x)[N]) const
    {
        int place[N][MOST_AT_ONCE];
        REAL before[N];
#pragma unroll
        for (int i = 0; i < N; i++) {
            before[i] = __ldg(prior + at[i]);
#pragma unroll
            for (int g = 0; g < MOST_AT_ONCE; g++) place[i][g] = __ldg(map[g] + at[i]);
        }
#pragma unroll
        for (int i = 0; i < N; i++) {
            x[i] = each<REAL>([&](int) { return before[i]; });
#pragma unroll
            for (int g = 0; g < MOST_AT_ONCE; g++) times(x[i], load(array[g], place[i][g]));
        }
#pragma unroll 1
        for (int g = MOST_AT_ONCE; g < count; g++)  // others one by one
#pragma unroll
            for (int i = 0; i < N; i++)
                times(x[i], load(arrays(joined[g].from), __ldg(maps + joined[g].map + at[i])));
    }
};

// What a block works with: the tree, what all rows have seen, and what it keeps itself.
struct Block {
    Tree tree;
    Program program;
    Arrays arrays;
    const REAL *prior;
    const int *home_cells, *maps;
    const REAL *tables;
    const int *members;
    const double *means, *spreads, *shares, *wides;
    const int *q_list;
    i64 all;
    const int *codes;
    const double *softs;
    i64 widest;
    const double *values, *extras;
    REAL *scales, *belief, *totals, *ones;
    double *logs;
    REAL *out;
    int columns;

    // Density of a reading under each distinct mean and spread; returned is the largest.
    __device__ Rows<double> readings(Team &me, int f, double *density) const
    {
        const Factor &factor = tree.factor[f];
        const double root = 0.3989422804014327, share = shares[f], wide = wides[f];
        const int first = factor.gauge_at, pairs = (&factor)[1].gauge_at - first;
        const int *const said = program.said + f * ROWS;
        const Rows<i64> place = each<i64>(
            [&](int b) { return factor.column * all + (said[b] < 0 ? 0 : program.row[b]); });
        const Rows<double> value = each<double>([&](int b) { return values[place.x[b]]; });
        const Rows<double> extra = each<double>([&](int b) { return extras[place.x[b]]; });
        const Rows<double> far = each<double>([&](int b) {
            const double reach = sqrt(wide * wide + extra.x[b] * extra.x[b]);
            const double away = value.x[b] / reach;
            return share * root * exp(-0.5 * away * away) / reach;
        });
        Rows<double> peak = each<double>([&](int b) { return said[b] < 0 ? 1.0 : 0.0; });
#pragma unroll 1
        for (int u = me.number; u < pairs; u += me.size) {
            const double mean = __ldg(means + first + u), spread = __ldg(spreads + first + u);
            const Rows<double> x = each<double>([&](int b) {
                if (said[b] < 0) return 1.0;
                const double narrow = rsqrt(spread * spread + extra.x[b] * extra.x[b]);
                const double gap = (value.x[b] - mean) * narrow;
                return (1.0 - share) * root * narrow * exp(-0.5 * gap * gap) + far.x[b];
            });
            store(density, u, x);
            peak = each<double>([&](int b) { return Larger()(peak.x[b], x.x[b]); });
        }
        return me.over(peak, Larger());
    }

    // Likelihoods and messages that meet before they meet a clique. Returned is the logarithm of
    // what readings were divided by, to the thread of each row: the product of several wild ones
    // would be too small for a float.
    __device__ double take_steps(Team &me, int k) const
    {
        double logs = 0.0;
        const Step *const step = program.steps_of(tree, k);
        const int steps = program.step_count[k];
        for (int i = 0; i < steps; i++) {
            const Step now = step[i];
            REAL *const to = arrays(now.to);
            const REAL *const source = now.from < 0 ? 0 : arrays(now.from);
            if (now.factor < 0) {
                const REAL *const guest = arrays(now.own);
                const int *const map = maps + now.map;
                me.wait();
                fold(me, to, source, now.cells, Listed{guest, map});
                continue;
            }
            const Factor &factor = tree.factor[now.factor];
            const int *const member = members + now.map, *const said =
                program.said + now.factor * ROWS;
            const int size = factor.configs;
            const REAL *const table = tables + factor.table_at;
            if (factor.kind == CODE) {
                const Rows<int> from = each<int>(
                    [&](int b) { return size * (said[b] < 0 ? factor.states : said[b]); });
                fold(me, to, source, now.cells, computed([=](int c) {
                    const int m = __ldg(member + c);
                    return each<REAL>([&](int b) { return __ldg(table + from.x[b] + m); });
                }));
            } else if (factor.kind == SOFT) {
                fold(me, to, source, now.cells, computed([=](int c) {
                    Rows<REAL> x;
#pragma unroll 1
                    for (int b = 0; b < ROWS; b++) x.x[b] = weighed(factor, said[b], b, member[c]);
                    return x;
                }));
            } else {
                double *const density = (double *)(belief + tree.clique[k].belief_at * ROWS);
                me.wait();
                const Rows<double> peak = readings(me, now.factor, density);
                if (me.number < ROWS) logs += log(pick(peak, me.number));
                const Rows<double> most =
                    each<double>([&](int b) { return peak.x[b] > 0.0 ? peak.x[b] : 1.0; });
                fold(me, to, source, now.cells, computed([=](int c) {
                    const Rows<double> x = load(density, __ldg(member + c));
                    return each<REAL>([&](int b) { return (REAL)(x.x[b] / most.x[b]); });
                }));
            }
        }
        if (steps) me.wait();
        return logs;
    }

    // Likelihood of a configuration from weights of the states.
    __device__ REAL weighed(const Factor &factor, int said, int b, int config) const
    {
        if (said < 0) return 1;
        const double *const weight = softs + (factor.column * all + program.row[b]) * widest;
        const REAL *const table = tables + factor.table_at;
        REAL x = 0;
        for (int s = 0; s < factor.states; s++)
            x += (REAL)weight[s] * table[s * factor.configs + config];
        return x;
    }

    __device__ Product product_of(int k) const
    {
        const Clique &clique = tree.clique[k];
        return Product(
            prior + clique.start, arrays, maps, program.joined + clique.first_group,
            program.joined_count[k], ones);
    }

    // What a clique sends on, as shares of its sum.
    __device__ void collect(Team &me, int k) const
    {
        const double taken = take_steps(me, k);
        const Clique &clique = tree.clique[k];
        const int cells = (&clique)[1].sep_start - clique.sep_start;
        REAL *const sent = arrays.messages + clique.sep_start * ROWS;
        Rows<REAL> mass = each<REAL>([](int) { return (REAL)0; });
        sums<PRODUCTS>(
            me, cells, clique.run, product_of(k), [&](int s, const Rows<REAL> &x) {
                store(sent, s, x);
                add_if(true, mass, x);
            });
        mass = me.over(mass, Add());
        const Rows<REAL> scale = over_one(mass);
        for (int s = me.number; s < cells; s += me.size) {
            const Rows<REAL> x = load(sent, s);
            store(sent, s, each<REAL>([&](int b) { return x.x[b] * scale.x[b]; }));
        }
        if (me.number < ROWS) {
            scales[k * ROWS + me.number] = pick(scale, me.number);
            logs[k * ROWS + me.number] = taken + log((double)pick(mass, me.number));
        }
    }

    __device__ static Rows<REAL> over_one(const Rows<REAL> &mass)
    {
        return each<REAL>([&](int b) { return mass.x[b] > 0 ? 1 / mass.x[b] : (REAL)0; });
    }

    // Belief of a clique with what its parent sent; what it sends back, and answers.
    __device__ void distribute(Team &me, int k) const
    {
        const Clique &clique = tree.clique[k], &next = (&clique)[1];
        const int cells = next.sep_start - clique.sep_start;
        const REAL *const told = clique.parent < 0 ? 0 : arrays.messages + clique.sep_start * ROWS;
        REAL *const held = belief + clique.belief_at * ROWS;
        Rows<REAL> mass = each<REAL>([](int) { return (REAL)0; });
        const Product product = product_of(k);
        const auto believed = [&](const int(&at)[PRODUCTS], Rows<REAL>(&x)[PRODUCTS]) {
            product(at, x);
            if (!told) return;
#pragma unroll
            for (int i = 0; i < PRODUCTS; i++) times(x[i], load(told, at[i] % cells));
        };
        in_batches<PRODUCTS>(
            me.number, clique.run * cells, me.size, believed,
            [&](int c, const Rows<REAL> &x, bool once) {
                store(held, c, x);
                add_if(once, mass, x);
            });
        const Rows<REAL> over = over_one(me.over(mass, Add()));
        bool between = false;
        for (int e = clique.first_child; e < next.first_child; e++) {
            const Edge &edge = tree.edge[e];
            const Clique &child = tree.clique[edge.child];
            const bool asked = child.first_between < (&child)[1].first_between;
            if (!child.wanted && !asked) continue;
            between = between || asked;
            const Rows<REAL> scale = load(scales, edge.child);
            REAL *const message = arrays.messages + child.sep_start * ROWS;
            REAL *const total = totals + child.sep_start * ROWS;
            sums<GATHERED>(
                me, (&child)[1].sep_start - child.sep_start, edge.run,
                Listed{held, home_cells + edge.home_at}, [=](int s, const Rows<REAL> &x) {
                    const Rows<REAL> inward = load(message, s);
                    store(message, s, each<REAL>([&](int b) {
                              const REAL y = inward.x[b];
                              return y > 0 ? x.x[b] * scale.x[b] * over.x[b] / y : (REAL)0;
                          }));
                    if (asked) store(total, s, x);
                });
        }
        // answers from the clique, then from between it and its children
        if (between) me.wait();
        const int last = between ? next.first_child : clique.first_child;
        for (int e = clique.first_child - 1; e < last; e++) {
            const bool inside = e < clique.first_child;
            const Clique &child = tree.clique[inside ? k : tree.edge[e].child];
            const int Clique::*list = inside ? &Clique::first_inside : &Clique::first_between;
            const REAL *const from = inside ? held : totals + child.sep_start * ROWS;
            answer(me, child.*list, (&child)[1].*list, from, over);
        }
    }

    __device__ void answer(
        const Team &me, int first, int next, const REAL *from, const Rows<REAL> &over) const
    {
        for (int q = first; q < next; q++) {
            const Query &query = tree.query[q];
            sums<GATHERED>(
                me, query.cells, query.run, Listed{from, q_list + query.at}, [&](int s, const Rows<REAL> &x) {
#pragma unroll
                    for (int b = 0; b < ROWS; b++) {
                        const i64 row = program.row[b];
                        if (row >= 0) out[row * columns + query.out + s] = x.x[b] * over.x[b];
                    }
                });
        }
    }
};

// Where a part of what a block keeps begins: in the memory of its processor, or (below zero) of the
// card.
__device__ static void *kept(i64 at, char *room)
{
    return at >= 0 ? (char *)shared + at : room + (-1 - at);
}

extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS) propagate(
    i64 rows, const i64 *__restrict__ order,
    // the tree and what is asked of it
    int cliques, int edges, int groups, int factors, int queries, int stages, int words,
    const int *__restrict__ packed, const REAL *__restrict__ prior,
    const int *__restrict__ home_cells, const int *__restrict__ maps,
    const REAL *__restrict__ tables, const int *__restrict__ members,
    const double *__restrict__ means, const double *__restrict__ spreads,
    const double *__restrict__ shares, const double *__restrict__ wides,
    const int *__restrict__ q_list, int columns,
    // seen, of all rows
    i64 all, const int *__restrict__ codes, const double *__restrict__ softs, i64 widest,
    const double *__restrict__ values, const double *__restrict__ extras,
    // what each block keeps, and the answers
    i64 tree_at, i64 program_at, i64 logs_at, i64 scales_at, i64 messages_at, i64 belief_at,
    i64 folds_at, i64 totals_at, i64 room_of_a_block, char *room, double *log_evidence, REAL *out)
{
    room += blockIdx.x * room_of_a_block;
    int *const own = (int *)kept(tree_at, room);
    for (int i = threadIdx.x; i < words; i += THREADS) own[i] = packed[i];
    __syncthreads();
    const Tree tree(own, cliques, edges, groups, factors, queries, stages);
    const Arrays arrays = {
        (REAL *)kept(messages_at, room), (REAL *)kept(folds_at, room),
        tree.clique[cliques].sep_start};
    Program program((int *)kept(program_at, room), cliques, groups, factors);
    const Block block = {
        tree, program, arrays, prior, home_cells, maps, tables, members, means, spreads, shares,
        wides, q_list, all, codes, softs, widest, values, extras,
        (REAL *)kept(scales_at, room), (REAL *)kept(belief_at, room),
        (REAL *)kept(totals_at, room), (REAL *)kept(scales_at, room) + cliques * ROWS,
        (double *)kept(logs_at, room), out, columns};
    if (threadIdx.x < ROWS) block.ones[threadIdx.x] = 1;
    Team me;
    me.flip = 0;
    const int own_warp = threadIdx.x / WARP;
    const i64 sets = (rows + ROWS - 1) / ROWS;
    for (i64 set = blockIdx.x; set < sets; set += gridDim.x) {
        for (int i = threadIdx.x; i < factors * ROWS; i += THREADS) {
            const i64 turn = set * ROWS + i % ROWS, row = turn < rows ? order[turn] : -1;
            const Factor &factor = tree.factor[i / ROWS];
            const i64 place = factor.column * all + row;
            int said = -1;
            if (row >= 0) {
                if (factor.kind == CODE) said = codes[place];
                if (factor.kind == SOFT) said = 0;
                if (factor.kind == NUMBER) said = isnan(values[place]) ? -1 : 0;
            }
            program.said[i] = said;
        }
        if (threadIdx.x < ROWS) {
            const i64 turn = set * ROWS + threadIdx.x;
            program.row[threadIdx.x] = turn < rows ? order[turn] : -1;
        }
        __syncthreads();
        for (int k = threadIdx.x; k < cliques; k += THREADS) program.lay_out(tree, k);
        __syncthreads();
        for (int g = 0; g < stages; g++) {
            const Stage &stage = tree.stage[g];
            me.become(stage.whole);
            const int skip = stage.whole ? 0 : own_warp;
            for (int i = stage.first + skip; i < (&stage)[1].first; i += WARPS)
                block.collect(me, tree.turn[i]);
            __syncthreads();
        }
        if (threadIdx.x < ROWS && program.row[threadIdx.x] >= 0) {
            double sum = 0.0;
            for (int k = 0; k < cliques; k++) sum += block.logs[k * ROWS + threadIdx.x];
            log_evidence[program.row[threadIdx.x]] = sum;
        }
        for (int g = stages - 1; g >= 0; g--) {
            const Stage &stage = tree.stage[g];
            me.become(stage.whole);
            const int skip = stage.whole ? 0 : own_warp;
            for (int i = stage.first + skip; i < (&stage)[1].first; i += WARPS)
                if (tree.clique[tree.turn[i]].wanted) block.distribute(me, tree.turn[i]);
            __syncthreads();
        }
    }
}
