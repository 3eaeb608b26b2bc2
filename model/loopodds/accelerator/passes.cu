// Both passes over a junction tree, a block of threads for a few rows: the arrays are those of
// loopodds/inference/kernels.py, which does the same for a few rows at a time.
//
// The rows of a block, ROWS of them, stand side by side, number by number. Threads whose number is
// the same modulo ROWS work on one row and share its cells. No belief is kept: from its likelihoods
// and messages each clique is multiplied out anew on the way back, so that what a block keeps is
// small enough for the memory of its processor.

#ifndef WARP
#define WARP 32
#endif
#define WARPS (THREADS / WARP)
#define LANES (WARP / ROWS)     // threads of a warp for each row
#define TURNS (THREADS / ROWS)  // threads of a block for each row
#define MOST_AT_ONCE 3          // groups that multiply a clique from registers

typedef long long i64;

extern __shared__ double shared[];

// A thread among those of its block. Sums over the block pass through two places in turn: who
// writes to one has seen everybody read the other.
struct Thread {
    int number, row, turn, warp, lane;
    int flip;

    __device__ double *partial()
    {
        flip = 1 - flip;
        return shared + flip * WARPS * ROWS;
    }
};

struct Add {
    template <typename T> __device__ T operator()(T a, T b) const { return a + b; }
};

struct Larger {
    template <typename T> __device__ T operator()(T a, T b) const { return a > b ? a : b; }
};

template <typename T, typename WITH>
__device__ static T over_warp(T x, WITH with)
{
    for (int apart = ROWS; apart < WARP; apart *= 2)
        x = with(x, __shfl_xor_sync(0xffffffffu, x, apart));
    return x;
}

// Of all threads of a row; everything that the block wrote before can be read after.
template <typename T, typename WITH>
__device__ static T over_block(Thread &me, T x, WITH with)
{
    T *const part = (T *)me.partial();
    x = over_warp(x, with);
    if (me.lane == 0) part[me.warp * ROWS + me.row] = x;
    __syncthreads();
    x = part[me.row];
    for (int w = 1; w < WARPS; w++) x = with(x, part[w * ROWS + me.row]);
    return x;
}

// Sums of the configurations of each cell, as the list has them (none: the cells come last in the
// scope), to one thread each. Few cells of many configurations are each split over warps.
template <typename FROM, typename SINK>
__device__ static void sums(
    Thread &me, int cells, int run, const int *__restrict__ list, FROM from, SINK sink)
{
    if (2 * cells > TURNS || run < 2 * LANES) {
        for (int s = me.turn; s < cells; s += TURNS) {
            REAL sum = 0;
#pragma unroll 4
            for (int c = s; c < run * cells; c += cells) sum += from(list ? list[c] : c);
            sink(s, sum);
        }
        return;
    }
    const int parts = cells < WARPS ? WARPS / cells : 1;
    REAL *const part = parts > 1 ? (REAL *)me.partial() : 0;
    for (int unit = me.warp; unit < cells * parts; unit += WARPS) {
        const int s = unit / parts, first = (unit % parts) * LANES + me.lane;
        REAL sum = 0;
#pragma unroll 4
        for (int r = first; r < run; r += parts * LANES)
            sum += from(list ? list[r * cells + s] : r * cells + s);
        sum = over_warp(sum, Add());
        if (me.lane > 0) continue;
        if (parts == 1)
            sink(s, sum);
        else
            part[unit * ROWS + me.row] = sum;
    }
    if (parts == 1) return;
    __syncthreads();
    if (me.turn >= cells) return;
    REAL sum = 0;
    for (int p = 0; p < parts; p++) sum += part[(me.turn * parts + p) * ROWS + me.row];
    sink(me.turn, sum);
}

// Density of a reading under each distinct mean and spread; returned is the largest of a row.
__device__ static double readings(
    Thread &me, bool says, double value, double extra, const double *__restrict__ mean,
    const double *__restrict__ spread, int pairs, double share, double wide, double *density)
{
    const double root = 0.3989422804014327;
    const double reach = sqrt(wide * wide + extra * extra);
    const double far = share * root * exp(-0.5 * (value / reach) * (value / reach)) / reach;
    double peak = 0.0;
    for (int u = me.turn; u < pairs; u += TURNS) {
        double x = 1.0;
        if (says) {
            const double narrow = rsqrt(spread[u] * spread[u] + extra * extra);
            const double gap = (value - mean[u]) * narrow;
            x = (1.0 - share) * root * narrow * exp(-0.5 * gap * gap) + far;
        }
        density[u * ROWS] = x;
        peak = x > peak ? x : peak;
    }
    return over_block(me, peak, Larger());
}

// to = (source or ones) times a likelihood, cell by cell; both may be the same.
template <typename LIKELIHOOD>
__device__ static void fold(
    const Thread &me, REAL *to, const REAL *source, int cells, LIKELIHOOD likelihood)
{
#pragma unroll 4
    for (int c = me.turn; c < cells; c += TURNS) {
        const REAL x = likelihood(c);
        to[c * ROWS] = source ? source[c * ROWS] * x : x;
    }
}

// What passes.py packs: a record for each, and one more, where lists of the one before end.
struct Clique {
    int start, run, parent, sep_start, first_child, first_group, wanted, first_inside;
    int first_between;
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

struct Tree {
    const Clique *clique;
    const Edge *edge;
    const Group *group;
    const Factor *factor;
    const Query *query;

    __device__ Tree(const int *at, int cliques, int edges, int groups, int factors)
        : clique((const Clique *)at), edge((const Edge *)(clique + cliques + 1)),
          group((const Group *)(edge + edges + 1)), factor((const Factor *)(group + groups + 1)),
          query((const Query *)(factor + factors + 1))
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
    int *said;  // state of each factor and row; below zero nothing is said
    int *source, *step_count, *joined_count;
    Joined *joined;
    Step *steps;

    __device__ Program(int *at, int cliques, int groups, int factors)
        : said(at), source(said + factors * ROWS), step_count(source + groups),
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
template <int GROUPS>
struct Product {
    const REAL *prior;
    const REAL *array[GROUPS + 1];
    const int *map[GROUPS + 1];
    const Arrays &arrays;
    const int *maps;
    const Joined *more;
    int count;

    __device__ Product(
        const REAL *prior, const Arrays &arrays, const int *maps, const Joined *joined, int count)
        : prior(prior), arrays(arrays), maps(maps), more(joined + GROUPS), count(count - GROUPS)
    {
#pragma unroll
        for (int g = 0; g < GROUPS; g++) {
            array[g] = arrays(joined[g].from);
            map[g] = maps + joined[g].map;
        }
    }

    __device__ REAL operator()(int c) const
    {
        REAL x = __ldg(prior + c);
#pragma unroll
        for (int g = 0; g < GROUPS; g++) x *= array[g][__ldg(map[g] + c) * ROWS];
        if (GROUPS == MOST_AT_ONCE)  // others one by one
            for (int g = 0; g < count; g++)
                x *= arrays(more[g].from)[__ldg(maps + more[g].map + c) * ROWS];
        return x;
    }
};

// Does something with the product of a clique, for which it is compiled by the number of groups.
template <typename WORK>
__device__ static void with_product(
    const REAL *prior, const Arrays &arrays, const int *maps, const Joined *joined, int count,
    WORK work)
{
    switch (count) {
    case 0: work(Product<0>(prior, arrays, maps, joined, count)); break;
    case 1: work(Product<1>(prior, arrays, maps, joined, count)); break;
    case 2: work(Product<2>(prior, arrays, maps, joined, count)); break;
    default: work(Product<MOST_AT_ONCE>(prior, arrays, maps, joined, count));
    }
}

// Where a part of what a block keeps begins: in the memory of its processor, or (below zero) of the
// card.
__device__ static void *kept(i64 at, char *room)
{
    return at >= 0 ? (char *)shared + at : room + (-1 - at);
}

extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS) propagate(
    i64 rows, const i64 *__restrict__ order,
    // the tree and what is asked of it
    int cliques, int edges, int groups, int factors, int queries, const int *__restrict__ packed,
    const REAL *__restrict__ prior, const int *__restrict__ home_cells,
    const int *__restrict__ maps, const REAL *__restrict__ tables, const int *__restrict__ members,
    const double *__restrict__ means, const double *__restrict__ spreads,
    const double *__restrict__ shares, const double *__restrict__ wides,
    const int *__restrict__ q_list, int columns,
    // seen, of all rows
    i64 all, const int *__restrict__ codes, const double *__restrict__ softs, i64 widest,
    const double *__restrict__ values, const double *__restrict__ extras,
    // what each block keeps, and the answers
    i64 tree_at, i64 program_at, i64 scales_at, i64 messages_at, i64 belief_at, i64 folds_at,
    i64 totals_at, i64 room_of_a_block, char *room, double *log_evidence, REAL *out)
{
    Thread me;
    me.number = threadIdx.x, me.row = me.number % ROWS, me.turn = me.number / ROWS;
    me.warp = me.number / WARP, me.lane = me.number % WARP / ROWS, me.flip = 0;
    room += blockIdx.x * room_of_a_block;
    int *const own = (int *)kept(tree_at, room);
    const int words = (int)(sizeof(Clique) * (cliques + 1) + sizeof(Edge) * (edges + 1) +
                            sizeof(Group) * (groups + 1) + sizeof(Factor) * (factors + 1) +
                            sizeof(Query) * (queries + 1)) / (int)sizeof(int);
    for (int i = me.number; i < words; i += THREADS) own[i] = packed[i];
    __syncthreads();
    const Tree tree(own, cliques, edges, groups, factors);
    Program program((int *)kept(program_at, room), cliques, groups, factors);
    REAL *const scales = (REAL *)kept(scales_at, room) + me.row;
    REAL *const belief = (REAL *)kept(belief_at, room) + me.row;
    double *const density = (double *)kept(belief_at, room) + me.row;
    REAL *const totals = (REAL *)kept(totals_at, room) + me.row;
    const Arrays arrays = {
        (REAL *)kept(messages_at, room) + me.row, (REAL *)kept(folds_at, room) + me.row,
        tree.clique[cliques].sep_start};
    const i64 sets = (rows + ROWS - 1) / ROWS;
    for (i64 set = blockIdx.x; set < sets; set += gridDim.x) {
        const i64 row = set * ROWS + me.row < rows ? order[set * ROWS + me.row] : -1;
        for (int f = me.turn; f < factors; f += TURNS) {
            const Factor &factor = tree.factor[f];
            const i64 place = factor.column * all + row;
            int said = -1;
            if (row >= 0) {
                if (factor.kind == CODE) said = codes[place];
                if (factor.kind == SOFT) said = 0;
                if (factor.kind == NUMBER) said = isnan(values[place]) ? -1 : 0;
            }
            program.said[f * ROWS + me.row] = said;
        }
        __syncthreads();
        for (int k = me.number; k < cliques; k += THREADS) program.lay_out(tree, k);
        __syncthreads();

        double logs = 0.0;  // only what the first threads add up counts
        for (int k = 0; k < cliques; k++) {
            const Clique &clique = tree.clique[k];
            const Step *const step = program.steps_of(tree, k);
            const int steps = program.step_count[k];
            for (int i = 0; i < steps; i++) {
                const Step now = step[i];
                REAL *const to = arrays(now.to);
                const REAL *const source = now.from < 0 ? 0 : arrays(now.from);
                if (now.factor < 0) {
                    const REAL *const guest = arrays(now.own);
                    const int *const map = maps + now.map;
                    __syncthreads();
                    fold(me, to, source, now.cells,
                         [=](int c) { return guest[__ldg(map + c) * ROWS]; });
                    continue;
                }
                const Factor &factor = tree.factor[now.factor];
                const int *const member = members + now.map;
                const int said = program.said[now.factor * ROWS + me.row];
                const bool says = said >= 0;
                const int size = factor.configs;
                const REAL *table = tables + factor.table_at;
                if (factor.kind == CODE) {
                    table += size * (says ? said : factor.states);
                    fold(me, to, source, now.cells,
                         [=](int c) { return __ldg(table + __ldg(member + c)); });
                } else if (factor.kind == SOFT) {
                    const double *weight =
                        softs + (factor.column * all + (says ? row : 0)) * widest;
                    const int states = says ? factor.states : 0;
                    fold(me, to, source, now.cells, [=](int c) {
                        REAL x = says ? (REAL)0 : (REAL)1;
                        for (int s = 0; s < states; s++)
                            x += (REAL)weight[s] * table[s * size + member[c]];
                        return x;
                    });
                } else {
                    const i64 place = factor.column * all + (says ? row : 0);
                    const int first = factor.gauge_at, pairs = (&factor)[1].gauge_at - first;
                    __syncthreads();
                    const double peak = readings(
                        me, says, says ? values[place] : 0.0, says ? extras[place] : 0.0,
                        means + first, spreads + first, pairs, shares[now.factor],
                        wides[now.factor], density);
                    if (me.turn == 0) logs += log(peak);
                    const double most = peak > 0.0 ? peak : 1.0;
                    fold(me, to, source, now.cells, [=](int c) {
                        return (REAL)(density[__ldg(member + c) * ROWS] / most);
                    });
                }
            }
            if (steps) __syncthreads();
            const int cells = (&clique)[1].sep_start - clique.sep_start;
            REAL *const sent = arrays.messages + clique.sep_start * ROWS;
            REAL mass = 0;
            with_product(
                prior + clique.start, arrays, maps, program.joined + clique.first_group,
                program.joined_count[k], [&](auto product) {
                    sums(me, cells, clique.run, 0, product, [&](int s, REAL x) {
                        sent[s * ROWS] = x;
                        mass += x;
                    });
                });
            mass = over_block(me, mass, Add());
            const REAL scale = mass > 0 ? 1 / mass : 0;
            if (me.turn == 0) logs += log((double)mass), scales[k * ROWS] = scale;
            for (int s = me.turn; s < cells; s += TURNS) sent[s * ROWS] *= scale;
            __syncthreads();
        }
        if (row >= 0 && me.turn == 0) log_evidence[row] = logs;

        for (int k = cliques - 1; k >= 0; k--) {
            const Clique &clique = tree.clique[k];
            if (!clique.wanted) continue;
            const int cells = (&clique)[1].sep_start - clique.sep_start;
            const REAL *const told =
                clique.parent < 0 ? 0 : arrays.messages + clique.sep_start * ROWS;
            REAL mass = 0;
            with_product(
                prior + clique.start, arrays, maps, program.joined + clique.first_group,
                program.joined_count[k], [&](auto product) {
                    const int step = TURNS % cells;
                    int s = me.turn % cells;
#pragma unroll 4
                    for (int c = me.turn; c < clique.run * cells; c += TURNS) {
                        REAL x = product(c);
                        if (told) x *= told[s * ROWS];
                        s = s + step < cells ? s + step : s + step - cells;
                        belief[c * ROWS] = x;
                        mass += x;
                    }
                });
            mass = over_block(me, mass, Add());
            const REAL each = mass > 0 ? 1 / mass : 0;
            const auto held = [=](int c) { return belief[c * ROWS]; };
            bool between = false;
            for (int e = clique.first_child; e < (&clique)[1].first_child; e++) {
                const Edge &edge = tree.edge[e];
                const Clique &child = tree.clique[edge.child];
                const bool asked = child.first_between < (&child)[1].first_between;
                if (!child.wanted && !asked) continue;
                between = between || asked;
                const REAL scale = scales[edge.child * ROWS] * each;
                REAL *const message = arrays.messages + child.sep_start * ROWS;
                REAL *const total = totals + child.sep_start * ROWS;
                sums(me, (&child)[1].sep_start - child.sep_start, edge.run,
                     home_cells + edge.home_at, held, [=](int s, REAL x) {
                         const REAL inward = message[s * ROWS];
                         message[s * ROWS] = inward > 0 ? x * scale / inward : 0;
                         if (asked) total[s * ROWS] = x;
                     });
            }
            const auto answer = [&](const Query &query, auto from) {
                REAL *const to = row < 0 ? 0 : out + row * columns + query.out;
                sums(me, query.cells, query.run, q_list + query.at, from, [=](int s, REAL x) {
                    if (to) to[s] = x * each;
                });
            };
            for (int q = clique.first_inside; q < (&clique)[1].first_inside; q++)
                answer(tree.query[q], held);
            __syncthreads();
            if (!between) continue;
            for (int e = clique.first_child; e < (&clique)[1].first_child; e++) {
                const Clique &child = tree.clique[tree.edge[e].child];
                const REAL *const total = totals + child.sep_start * ROWS;
                for (int q = child.first_between; q < (&child)[1].first_between; q++)
                    answer(tree.query[q], [=](int c) { return total[c * ROWS]; });
            }
        }
    }
}
