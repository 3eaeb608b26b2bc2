// Both passes over a junction tree, a row for each thread: the arrays are those of
// loopodds/inference/kernels.py, which does the same for a few rows at a time.
//
// Threads of a warp hold neighbouring rows and take every step together. What a row keeps stands
// beside that of the other rows, number by number, so that a warp reads and writes in one piece.
//
// It is memory that is waited for, so no belief is ever written: what a clique sends is added up
// while it is multiplied out. On the way back it is multiplied out once more, in the order of the
// sum with most cells, of which each is then a number in a register. Messages are written once;
// what they are to be multiplied by is kept beside them. The loops over configurations are not
// unrolled: with more registers for a row fewer rows wait side by side, which was slower.

typedef long long i64;

#define AT_ONCE 4  // groups that multiply a clique from registers

// Number of a row among those that it keeps: of each block they stand together, thread by thread.
#define OWN(array, index) (array)[(index) * THREADS]

// Density of a reading under each distinct mean and spread over the largest of them, whose
// logarithm is returned: the product of several wild readings would be too small for a float.
__device__ static double readings(
    double value, double extra, const double *__restrict__ mean, const double *__restrict__ spread,
    int pairs, double share, double wide, double *__restrict__ density)
{
    const double root = 0.3989422804014327;
    const double reach = sqrt(wide * wide + extra * extra);
    const double far = share * root * exp(-0.5 * (value / reach) * (value / reach)) / reach;
    double peak = 0.0;
    for (int u = 0; u < pairs; u++) {
        const double variance = spread[u] * spread[u] + extra * extra, gap = value - mean[u];
        const double near = (1.0 - share) * root * exp(-0.5 * gap * gap / variance);
        const double x = near / sqrt(variance) + far;
        OWN(density, u) = x;
        peak = x > peak ? x : peak;
    }
    if (peak > 0.0)
        for (int u = 0; u < pairs; u++) OWN(density, u) /= peak;
    return log(peak);
}

// An array of likelihoods or a message, with what it is to be multiplied by.
struct Weighed {
    const REAL *array;  // none: ones
    REAL weight;

    __device__ REAL operator()(int at) const { return array ? OWN(array, at) * weight : (REAL)1; }
};

// to = source times a likelihood, cell by cell; both may be the same.
template <typename LIKELIHOOD>
__device__ static void fold(REAL *to, const Weighed &source, int cells, LIKELIHOOD likelihood)
{
    int c = 0;
    for (; c + 4 <= cells; c += 4) {
        REAL x[4];
#pragma unroll
        for (int i = 0; i < 4; i++) x[i] = likelihood(c + i) * source(c + i);
#pragma unroll
        for (int i = 0; i < 4; i++) OWN(to, c + i) = x[i];
    }
    for (; c < cells; c++) OWN(to, c) = likelihood(c) * source(c);
}

// What multiplies a clique, a group or what its parent sent, and the map that leads there.
struct Joined {
    Weighed from;
    const int *map;
};

template <int GROUPS>
struct Product {
    const REAL *prior;
    Joined group[GROUPS + 1];
    const Joined *more;
    int others;

    __device__ Product(const REAL *prior, const Joined *joined, int count)
        : prior(prior), more(joined + GROUPS), others(count - GROUPS)
    {
#pragma unroll
        for (int g = 0; g < GROUPS; g++) group[g] = joined[g];
    }

    __device__ REAL operator()(int c) const
    {
        REAL x = __ldg(prior + c);
#pragma unroll
        for (int g = 0; g < GROUPS; g++)
            x *= OWN(group[g].from.array, __ldg(group[g].map + c)) * group[g].from.weight;
        if (GROUPS == AT_ONCE)  // others one by one
#pragma unroll 1
            for (int g = 0; g < others; g++)
                x *= OWN(more[g].from.array, more[g].map[c]) * more[g].from.weight;
        return x;
    }
};

// Does something with the product of a clique, for which it is compiled by the number of groups.
template <typename WORK>
__device__ static void with_product(const REAL *prior, const Joined *joined, int count, WORK work)
{
    switch (count) {
    case 0: work(Product<0>(prior, joined, count)); break;
    case 1: work(Product<1>(prior, joined, count)); break;
    case 2: work(Product<2>(prior, joined, count)); break;
    case 3: work(Product<3>(prior, joined, count)); break;
    default: work(Product<AT_ONCE>(prior, joined, count));
    }
}

// Shares of the cells of a query; zeros where there is no mass.
__device__ static void answer(
    const REAL *total, const int *__restrict__ list, int cells, int run, REAL scale,
    REAL *__restrict__ out)
{
    for (int s = 0; s < cells; s++) {
        REAL sum = 0;
        for (int r = 0; r < run; r++) sum += OWN(total, list ? list[r * cells + s] : s);
        out[s] = sum * scale;
    }
}

struct Tree {
    // layout
    const i64 *start, *run, *parent, *sep_start;
    const REAL *prior;
    // groups
    const i64 *group_first, *child_of, *within, *group_cells, *group_at;
    const int *maps;
    const i64 *level_first, *map_at, *own_map_at, *member_first;
    // factors
    const i64 *kinds, *column, *states, *configs, *table_at, *member_at, *gauge_at;
    const REAL *tables;
    const int *members;
    const double *means, *spreads, *shares, *wides;
    // sums of a clique on the way back, those with most cells first
    const i64 *sum_first, *sum_child, *sum_query, *sum_cells, *sum_run;
    const int *sum_lists, *sum_maps;
    const i64 *sum_list_at, *sum_map_at, *sum_at;
    // answers
    const i64 *first_between, *q_cells;
    const int *q_list;
    const i64 *q_at, *q_run, *q_out;
};

// Seen, of all rows.
struct Seen {
    i64 all;
    const int *codes;
    const double *softs;
    i64 widest;
    const double *values, *extras;
};

// A row, and what it keeps. Lists of a clique are passed along: as a part of it they would keep all
// of it out of the registers.
struct Row {
    const Tree &tree;
    const Seen &seen;
    i64 row;  // below zero: none
    REAL *work;
    double *scratch;
    REAL *total, *scales;
    double logs;

    __device__ bool says(i64 f) const
    {
        if (row < 0) return false;
        const i64 place = tree.column[f] * seen.all + row;
        const int kind = (int)tree.kinds[f];
        if (kind == CODE) return seen.codes[place] >= 0;
        return kind == SOFT || !isnan(seen.values[place]);
    }

    // One likelihood that becomes part of a group's, where any row of the warp has it.
    __device__ void take_in(i64 f, REAL *to, const Weighed &from, int cells)
    {
        const int kind = (int)tree.kinds[f], size = (int)tree.configs[f];
        const bool spoken = says(f);
        const int *__restrict__ member = tree.members + tree.member_at[f];
        const REAL *__restrict__ table = tree.tables + tree.table_at[f];
        const i64 place = tree.column[f] * seen.all + (spoken ? row : 0);
        if (kind == CODE) {
            table += size * (spoken ? seen.codes[place] : (int)tree.states[f]);
            fold(to, from, cells, [=](int c) { return __ldg(table + __ldg(member + c)); });
        } else if (kind == SOFT) {
            const double *weight = seen.softs + place * seen.widest;
            const int states = spoken ? (int)tree.states[f] : 0;
            fold(to, from, cells, [=](int c) {
                REAL x = spoken ? (REAL)0 : (REAL)1;
                for (int s = 0; s < states; s++) x += (REAL)weight[s] * table[s * size + member[c]];
                return x;
            });
        } else {
            const i64 first = tree.gauge_at[f];
            const int pairs = (int)(tree.gauge_at[f + 1] - first);
            double *const density = scratch;
            if (spoken)
                logs += readings(
                    seen.values[place], seen.extras[place], tree.means + first,
                    tree.spreads + first, pairs, tree.shares[f], tree.wides[f], density);
            else
                for (int u = 0; u < pairs; u++) OWN(density, u) = 1;
            fold(to, from, cells, [=](int c) { return (REAL)OWN(density, __ldg(member + c)); });
        }
    }

    // The likelihoods of a group become one array, and a group within another is folded in, unless
    // that has nothing else to say. What multiplies the clique is listed and counted; on the way
    // back the arrays are there already.
    template <bool FOLDS>
    __device__ int join(int k, Joined *joined)
    {
        const int these = (int)tree.group_first[k], next = (int)tree.group_first[k + 1];
        Weighed from[MOST_GROUPS];
        bool speaks[MOST_GROUPS];
        int count = 0;
        for (int g = these; g < next; g++) {
            const i64 child = tree.child_of[g];
            from[g - these] = {0, 1};
            if (child >= 0)
                from[g - these] = {work + tree.sep_start[child] * THREADS, OWN(scales, child)};
            bool any = child >= 0;
            for (i64 f = tree.member_first[g]; f < tree.member_first[g + 1] && !any; f++)
                any = __any_sync(0xffffffffu, says(f));
            speaks[g - these] = any;
        }
        for (int g = these; g < next; g++) {
            if (!speaks[g - these]) continue;
            Weighed own = from[g - these];
            REAL *const to = work + tree.group_at[g] * THREADS;
            for (i64 f = tree.member_first[g]; f < tree.member_first[g + 1]; f++) {
                if (!__any_sync(0xffffffffu, says(f))) continue;
                if (FOLDS) take_in(f, to, own, (int)tree.group_cells[g]);
                own = {to, 1};
            }
            int host = (int)tree.within[g], level = (int)tree.level_first[g];
            for (; host >= 0 && !speaks[host - these]; level++) host = (int)tree.within[host];
            const int *__restrict__ map = tree.maps + tree.map_at[level];
            if (host < 0) {
                joined[count++] = {own, map};
                continue;
            }
            REAL *const into = work + tree.group_at[host] * THREADS;
            if (FOLDS)
                fold(into, from[host - these], (int)tree.group_cells[host],
                     [=](int c) { return own(__ldg(map + c)); });
            from[host - these] = {into, 1};
        }
        return count;
    }

    // What a clique sends on.
    __device__ void collect(int k)
    {
        Joined joined[MOST_GROUPS];
        const int count = join<true>(k, joined);
        const int to = (int)tree.sep_start[k], cells = (int)tree.sep_start[k + 1] - to;
        const int runs = (int)tree.run[k];
        REAL *const sent = work + (i64)to * THREADS;
        REAL mass = 0;
        with_product(tree.prior + tree.start[k], joined, count, [&](auto product) {
            for (int s = 0; s < cells; s++) {
                REAL sum = 0;
#pragma unroll 1
                for (int r = 0; r < runs; r++) sum += product(r * cells + s);
                OWN(sent, s) = sum;
                mass += sum;
            }
        });
        logs += log((double)mass);
        OWN(scales, k) = mass > 0 ? 1 / mass : 0;
    }

    // All sums over the belief of a clique; what it sends back, which each child divides by what it
    // sent itself, and answers.
    __device__ void distribute(int k, REAL *out)
    {
        Joined joined[MOST_GROUPS];
        int count = join<false>(k, joined);
        const int first = (int)tree.sum_first[k], next = (int)tree.sum_first[k + 1];
        if (tree.parent[k] >= 0)
            joined[count++] = {
                {work + tree.sep_start[k] * THREADS, OWN(scales, k)},
                tree.maps + tree.own_map_at[k]};
        for (int e = first + 1; e < next; e++)
            for (int s = 0; s < tree.sum_cells[e]; s++) OWN(total, tree.sum_at[e] + s) = 0;
        const int largest = (int)tree.sum_cells[first], run = (int)tree.sum_run[first];
        const int *const list = tree.sum_lists + tree.sum_list_at[first];
        const bool kept = keeps(first), others = first + 1 < next;
        const int *const map = tree.sum_maps + tree.sum_map_at[others ? first + 1 : first];
        REAL *const largest_total = total + tree.sum_at[first] * THREADS;
        REAL *const other_total = total + tree.sum_at[others ? first + 1 : first] * THREADS;
        REAL *const message =
            tree.sum_child[first] < 0 ? 0 : work + tree.sep_start[tree.sum_child[first]] * THREADS;
        REAL mass = 0;
        // a cell of the child's message is needed for its own sum alone, and replaced after it
        with_product(tree.prior + tree.start[k], joined, count, [&](auto product) {
            for (int s = 0; s < largest; s++) {
                REAL sum = 0;
#pragma unroll 1
                for (int r = 0; r < run; r++) {
                    const int c = __ldg(list + r * largest + s);
                    const REAL x = product(c);
                    sum += x;
                    if (others) OWN(other_total, __ldg(map + c)) += x;
#pragma unroll 1
                    for (int e = first + 2; e < next; e++) {
                        const int *const cell = tree.sum_maps + tree.sum_map_at[e];
                        OWN(total, tree.sum_at[e] + __ldg(cell + c)) += x;
                    }
                }
                mass += sum;
                if (kept) OWN(largest_total, s) = sum;
                if (message) send(message, s, sum);
            }
        });
        const REAL scale = mass > 0 ? 1 / mass : 0;
        for (int e = first; e < next; e++) {
            const int child = (int)tree.sum_child[e];
            const REAL *const sums = total + tree.sum_at[e] * THREADS;
            if (child < 0) {
                const i64 q = tree.sum_query[e];
                if (out) answer(sums, 0, (int)tree.q_cells[q], 1, scale, out + tree.q_out[q]);
                continue;
            }
            for (int s = 0; s < tree.sum_cells[e] && e > first; s++)
                send(work + tree.sep_start[child] * THREADS, s, OWN(sums, s));
            OWN(scales, child) = scale;
            for (i64 q = tree.first_between[child]; out && q < tree.first_between[child + 1]; q++)
                answer(
                    sums, tree.q_list + tree.q_at[q], (int)tree.q_cells[q], (int)tree.q_run[q],
                    scale, out + tree.q_out[q]);
        }
    }

    // Whether a sum is asked for, by itself or by what is between a clique and its child.
    __device__ bool keeps(int e) const
    {
        const i64 child = tree.sum_child[e];
        return child < 0 || tree.first_between[child] < tree.first_between[child + 1];
    }

    __device__ static void send(REAL *message, int s, REAL sum)
    {
        const REAL inward = OWN(message, s);
        OWN(message, s) = inward > 0 ? sum / inward : 0;
    }
};

extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS) propagate(
    i64 rows, const i64 *order,
    // layout
    i64 cliques, const i64 *start, const i64 *run, const i64 *parent, const i64 *sep_start,
    const REAL *prior,
    // groups
    const i64 *group_first, const i64 *child_of, const i64 *within, const i64 *group_cells,
    const i64 *group_at, const int *maps, const i64 *level_first, const i64 *map_at,
    const i64 *own_map_at, const i64 *member_first,
    // factors
    const i64 *kinds, const i64 *column, const i64 *states, const i64 *configs,
    const REAL *tables, const i64 *table_at, const int *members, const i64 *member_at,
    const double *means, const double *spreads, const i64 *gauge_at, const double *shares,
    const double *wides,
    // sums on the way back, and answers
    const i64 *sum_first, const i64 *sum_child, const i64 *sum_query, const i64 *sum_cells,
    const i64 *sum_run, const int *sum_lists, const int *sum_maps, const i64 *sum_list_at,
    const i64 *sum_map_at, const i64 *sum_at, const i64 *first_between, const i64 *q_cells,
    const int *q_list, const i64 *q_at, const i64 *q_run, const i64 *q_out, i64 columns,
    // seen, of all rows
    i64 all, const int *codes, const double *softs, i64 widest, const double *values,
    const double *extras,
    // what each thread keeps, how much of it, and the answers
    i64 works, i64 densities, i64 totals, REAL *work, double *scratch, REAL *total, REAL *scales,
    double *log_evidence, REAL *out)
{
    const Tree tree = {
        start, run, parent, sep_start, prior, group_first, child_of, within, group_cells, group_at,
        maps, level_first, map_at, own_map_at, member_first, kinds, column, states, configs,
        table_at, member_at, gauge_at, tables, members, means, spreads, shares, wides, sum_first,
        sum_child, sum_query, sum_cells, sum_run, sum_lists, sum_maps, sum_list_at, sum_map_at,
        sum_at, first_between, q_cells, q_list, q_at, q_run, q_out};
    const Seen seen = {all, codes, softs, widest, values, extras};
    const i64 threads = (i64)gridDim.x * THREADS, block = (i64)blockIdx.x * THREADS;
    const int lane = threadIdx.x % 32;
    Row own = {
        tree, seen, -1, work + block * works + threadIdx.x,
        scratch + block * densities + threadIdx.x, total + block * totals + threadIdx.x,
        scales + block * cliques + threadIdx.x};
    for (i64 first = block + threadIdx.x - lane; first < rows; first += threads) {
        own.row = first + lane < rows ? order[first + lane] : -1;
        own.logs = 0.0;
        for (int k = 0; k < cliques; k++) own.collect(k);
        if (own.row >= 0) log_evidence[own.row] = own.logs;
        for (int k = (int)cliques - 1; k >= 0; k--)
            if (sum_first[k] < sum_first[k + 1])
                own.distribute(k, own.row < 0 ? 0 : out + own.row * columns);
    }
}
