// Both passes over a junction tree, a row for each thread: the arrays are those of
// loopodds/inference/kernels.py, which does the same for a few rows at a time.
//
// Threads of a warp hold neighbouring rows and take every step together. What a row keeps stands
// beside that of the other rows, number by number, so that a warp reads and writes in one piece.

typedef long long i64;

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

// to = (source or ones) times a likelihood, cell by cell; both may be the same.
template <typename LIKELIHOOD>
__device__ static void fold(REAL *to, const REAL *source, int cells, LIKELIHOOD likelihood)
{
    int c = 0;
    for (; c + 4 <= cells; c += 4) {
        REAL x[4];
#pragma unroll
        for (int i = 0; i < 4; i++) x[i] = likelihood(c + i);
        if (source) {
#pragma unroll
            for (int i = 0; i < 4; i++) x[i] *= OWN(source, c + i);
        }
#pragma unroll
        for (int i = 0; i < 4; i++) OWN(to, c + i) = x[i];
    }
    for (; c < cells; c++) {
        const REAL x = likelihood(c);
        OWN(to, c) = source ? OWN(source, c) * x : x;
    }
}

// belief = (prior or belief) times some groups, over all configurations of a clique, and the sums
// that it sends on.
template <int GROUPS>
__device__ static void multiply(
    REAL *__restrict__ belief, const REAL *__restrict__ prior, int runs, int cells,
    const REAL *work, const int *joined, const int *const *map, REAL *sent)
{
    const REAL *__restrict__ array[GROUPS + 1];
    const int *__restrict__ place[GROUPS + 1];
    for (int g = 0; g < GROUPS; g++) {
        array[g] = work + joined[g] * THREADS;
        place[g] = map[g];
    }
    for (int s = 0; s < cells; s++) {
        REAL sum = 0;
#pragma unroll 4
        for (int r = 0; r < runs; r++) {
            const int c = r * cells + s;
            REAL x = prior ? prior[c] : OWN(belief, c);
#pragma unroll
            for (int g = 0; g < GROUPS; g++) x *= OWN(array[g], place[g][c]);
            OWN(belief, c) = x;
            sum += x;
        }
        OWN(sent, s) = sum;
    }
}

// Belief of a clique times what its parent sent, which is read on the way: to write the product
// would cost more than to multiply again.
struct Told {
    const REAL *belief, *message;  // no message of a root
    unsigned cells;

    __device__ REAL operator()(int c) const
    {
        const REAL x = OWN(belief, c);
        return message ? x * OWN(message, (unsigned)c % cells) : x;
    }
};

struct Plain {
    const REAL *array;

    __device__ REAL operator()(int c) const { return OWN(array, c); }
};

// Sums of the configurations of each cell, as shares of their sum; zeros where there is no mass.
template <typename FROM>
__device__ static void answer(
    FROM from, const int *__restrict__ list, int cells, int run, REAL *__restrict__ out)
{
    REAL mass = 0;
    for (int s = 0; s < cells; s++) {
        REAL sum = 0;
#pragma unroll 4
        for (int r = 0; r < run; r++) sum += from(list[r * cells + s]);
        if (out) out[s] = sum;
        mass += sum;
    }
    if (!out) return;
    const REAL scale = mass > 0 ? 1 / mass : 0;
    for (int s = 0; s < cells; s++) out[s] *= scale;
}

extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS) propagate(
    i64 rows, const i64 *__restrict__ order,
    // layout
    i64 cliques, const i64 *__restrict__ start, const i64 *__restrict__ run,
    const i64 *__restrict__ parent, const i64 *__restrict__ sep_start,
    const REAL *__restrict__ prior, const i64 *__restrict__ child_first,
    const i64 *__restrict__ children, const int *__restrict__ home_cells,
    const i64 *__restrict__ home_at, const i64 *__restrict__ home_run,
    // groups
    const i64 *__restrict__ group_first, const i64 *__restrict__ child_of,
    const i64 *__restrict__ within, const i64 *__restrict__ group_cells,
    const i64 *__restrict__ group_at, const int *__restrict__ maps,
    const i64 *__restrict__ map_at, const i64 *__restrict__ member_first,
    // factors
    const i64 *__restrict__ kinds, const i64 *__restrict__ column,
    const i64 *__restrict__ states, const i64 *__restrict__ configs,
    const REAL *__restrict__ tables, const i64 *__restrict__ table_at,
    const int *__restrict__ members, const i64 *__restrict__ member_at,
    const double *__restrict__ means, const double *__restrict__ spreads,
    const i64 *__restrict__ gauge_at, const double *__restrict__ shares,
    const double *__restrict__ wides,
    // seen, of all rows
    i64 all, const int *__restrict__ codes, const double *__restrict__ softs, i64 widest,
    const double *__restrict__ values, const double *__restrict__ extras,
    // asked
    const bool *__restrict__ wanted, const i64 *__restrict__ first_inside,
    const i64 *__restrict__ first_between, const i64 *__restrict__ q_cells,
    const int *__restrict__ q_list, const i64 *__restrict__ q_at, const i64 *__restrict__ q_run,
    const i64 *__restrict__ q_out, i64 columns,
    // what each thread keeps, how much of it, and the answers
    i64 beliefs, i64 works, i64 densities, i64 totals, REAL *belief, REAL *work, double *scratch,
    REAL *total, REAL *scales, double *log_evidence, REAL *out)
{
    const i64 threads = (i64)gridDim.x * THREADS;
    const i64 thread = (i64)blockIdx.x * THREADS + threadIdx.x;
    const int lane = threadIdx.x % 32;
    belief += (i64)blockIdx.x * THREADS * beliefs + threadIdx.x;
    work += (i64)blockIdx.x * THREADS * works + threadIdx.x;
    scratch += (i64)blockIdx.x * THREADS * densities + threadIdx.x;
    total += (i64)blockIdx.x * THREADS * totals + threadIdx.x;
    scales += (i64)blockIdx.x * THREADS * cliques + threadIdx.x;
    for (i64 first = thread - lane; first < rows; first += threads) {
        const i64 row = first + lane < rows ? order[first + lane] : -1;
        double logs = 0.0;
        for (int k = 0; k < cliques; k++) {
            // the likelihoods of a group become one array; a group within another is folded in
            const int these = (int)group_first[k], next = (int)group_first[k + 1];
            int from[MOST_GROUPS];  // where the array of each group begins; -1 is all ones
            int joined[MOST_GROUPS];
            const int *where[MOST_GROUPS];
            int count = 0;
            for (int g = these; g < next; g++)
                from[g - these] = child_of[g] >= 0 ? (int)sep_start[child_of[g]] : -1;
            for (int g = these; g < next; g++) {
                int source = from[g - these];
                const int cells = (int)group_cells[g], to = (int)group_at[g];
                for (i64 f = member_first[g]; f < member_first[g + 1]; f++) {
                    const i64 i = column[f];
                    const int kind = (int)kinds[f];
                    bool says = row >= 0;
                    if (kind == CODE) says = says && codes[i * all + row] >= 0;
                    if (kind == NUMBER) says = says && !isnan(values[i * all + row]);
                    if (!__any_sync(0xffffffffu, says)) continue;
                    const int *__restrict__ member = members + member_at[f];
                    const REAL *__restrict__ table = tables + table_at[f];
                    const int size = (int)configs[f];
                    REAL *const into = work + to * THREADS;
                    const REAL *const before = source < 0 ? 0 : work + source * THREADS;
                    if (kind == CODE) {
                        table += size * (says ? codes[i * all + row] : (int)states[f]);
                        fold(into, before, cells, [=](int c) { return table[member[c]]; });
                    } else if (kind == SOFT) {
                        const double *weight = softs + (i * all + (says ? row : 0)) * widest;
                        const int count = says ? (int)states[f] : 0;
                        fold(into, before, cells, [=](int c) {
                            REAL x = says ? (REAL)0 : (REAL)1;
                            for (int s = 0; s < count; s++)
                                x += (REAL)weight[s] * table[s * size + member[c]];
                            return x;
                        });
                    } else {
                        const int pairs = (int)(gauge_at[f + 1] - gauge_at[f]);
                        if (says)
                            logs += readings(
                                values[i * all + row], extras[i * all + row], means + gauge_at[f],
                                spreads + gauge_at[f], pairs, shares[f], wides[f], scratch);
                        else
                            for (int u = 0; u < pairs; u++) OWN(scratch, u) = 1;
                        const double *const density = scratch;
                        fold(into, before, cells,
                             [=](int c) { return (REAL)OWN(density, member[c]); });
                    }
                    source = to;
                }
                if (source < 0) continue;
                const int host = (int)within[g];
                const int *__restrict__ map = maps + map_at[g];
                if (host < 0) {
                    joined[count] = source;
                    where[count++] = map;
                    continue;
                }
                const int other = from[host - these], into = (int)group_at[host];
                const REAL *const own = work + source * THREADS;
                fold(work + into * THREADS, other < 0 ? 0 : work + other * THREADS,
                     (int)group_cells[host], [=](int c) { return OWN(own, map[c]); });
                from[host - these] = into;
            }
            const int to = (int)sep_start[k], begin = (int)start[k];
            const int cells = (int)sep_start[k + 1] - to, runs = (int)run[k];
            REAL *const held = belief + (i64)begin * THREADS, *const sent = work + to * THREADS;
            int g = 0;
            do {
                const REAL *once = g == 0 ? prior + begin : 0;
                const int *arrays = joined + g;
                const int *const *places = where + g;
                const int some = count - g < 4 ? count - g : 4;
                switch (some) {
                case 0: multiply<0>(held, once, runs, cells, work, arrays, places, sent); break;
                case 1: multiply<1>(held, once, runs, cells, work, arrays, places, sent); break;
                case 2: multiply<2>(held, once, runs, cells, work, arrays, places, sent); break;
                case 3: multiply<3>(held, once, runs, cells, work, arrays, places, sent); break;
                default: multiply<4>(held, once, runs, cells, work, arrays, places, sent);
                }
                g += some;
            } while (g < count);
            REAL mass = 0;
            for (int s = 0; s < cells; s++) mass += OWN(sent, s);
            logs += log((double)mass);
            const REAL scale = mass > 0 ? 1 / mass : 0;
            OWN(scales, k) = scale;
            for (int s = 0; s < cells; s++) OWN(sent, s) *= scale;
        }
        if (row >= 0) log_evidence[row] = logs;
        for (int k = (int)cliques - 1; k >= 0; k--) {
            if (!wanted[k]) continue;
            const int base = (int)sep_start[k], cells = (int)sep_start[k + 1] - base;
            const REAL *const message = parent[k] >= 0 ? work + base * THREADS : 0;
            const Told told = {belief + start[k] * THREADS, message, (unsigned)cells};
            for (i64 e = child_first[k]; e < child_first[k + 1]; e++) {
                const int child = (int)children[e];
                if (!(wanted[child] || first_between[child] < first_between[child + 1])) continue;
                const int to = (int)sep_start[child], sent = (int)sep_start[child + 1] - to;
                const int each = (int)home_run[e];
                const int *__restrict__ list = home_cells + home_at[e];
                REAL mass = 0;
                for (int s = 0; s < sent; s++) {
                    REAL sum = 0;
#pragma unroll 4
                    for (int r = 0; r < each; r++) sum += told(list[r * sent + s]);
                    OWN(total, s) = sum;
                    mass += sum;
                }
                for (i64 q = first_between[child]; q < first_between[child + 1]; q++)
                    answer(
                        Plain{total}, q_list + q_at[q], (int)q_cells[q], (int)q_run[q],
                        row < 0 ? 0 : out + row * columns + q_out[q]);
                const REAL scale = mass > 0 ? OWN(scales, child) / mass : 0;
                for (int s = 0; s < sent; s++) {
                    const REAL inward = OWN(work, to + s);
                    OWN(work, to + s) = inward > 0 ? OWN(total, s) * scale / inward : 0;
                }
            }
            for (i64 q = first_inside[k]; q < first_inside[k + 1]; q++)
                answer(
                    told, q_list + q_at[q], (int)q_cells[q], (int)q_run[q],
                    row < 0 ? 0 : out + row * columns + q_out[q]);
        }
    }
}
