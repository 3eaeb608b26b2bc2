// Both passes over a junction tree, a row for each thread: the arrays are those of
// loopodds/inference/kernels.py, which does the same for a few rows at a time.
//
// Threads of a warp hold neighbouring rows and take every step together. What a row keeps stands
// beside that of the other rows, number by number, so that a warp reads and writes in one piece.

typedef long long i64;

#define MULTIPLY(groups) \
    multiply<groups>(belief, first_time, begin, cells * runs, work, joined + g, where + g, \
                     threads, thread);
#define OWN(array, index) (array)[(size_t)(index) * threads + thread]

// Density of a reading under each distinct mean and spread over the largest of them, whose
// logarithm is returned: the product of several wild readings would be too small for a float.
__device__ static double readings(
    double value, double extra, const double *mean, const double *spread, int pairs, double share,
    double wide, double *density, i64 threads, i64 thread)
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

// belief = (prior or belief) times some groups, over all configurations of a clique.
template <int GROUPS>
__device__ static void multiply(
    REAL *belief, const REAL *prior, i64 begin, int size, const REAL *work, const i64 *joined,
    const int *const *map, i64 threads, i64 thread)
{
    const REAL *array[GROUPS + 1];
    const int *place[GROUPS + 1];
    for (int g = 0; g < GROUPS; g++) {
        array[g] = work + joined[g] * threads + thread;
        place[g] = map[g];
    }
    REAL *own = belief + begin * threads + thread;
#pragma unroll 4
    for (int c = 0; c < size; c++) {
        REAL x = prior ? prior[begin + c] : own[c * threads];
#pragma unroll
        for (int g = 0; g < GROUPS; g++) x *= array[g][place[g][c] * threads];
        own[c * threads] = x;
    }
}

// Sums of the configurations of each cell, as shares of their sum; zeros where there is no mass.
__device__ static void answer(
    const REAL *from, i64 begin, const int *list, int cells, int run, REAL *out, i64 threads,
    i64 thread)
{
    REAL mass = 0;
    for (int s = 0; s < cells; s++) {
        REAL sum = 0;
        for (int r = 0; r < run; r++) sum += OWN(from, begin + list[r * cells + s]);
        if (out) out[s] = sum;
        mass += sum;
    }
    if (!out) return;
    const REAL scale = mass > 0 ? 1 / mass : 0;
    for (int s = 0; s < cells; s++) out[s] *= scale;
}

extern "C" __global__ void propagate(
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
    // what each thread keeps, and the answers
    REAL *belief, REAL *work, double *scratch, REAL *total, REAL *scales, double *log_evidence, REAL *out)
{
    const i64 threads = (i64)gridDim.x * blockDim.x;
    const i64 thread = (i64)blockIdx.x * blockDim.x + threadIdx.x;
    const int lane = threadIdx.x % 32;
    for (i64 first = thread - lane; first < rows; first += threads) {
        const i64 row = first + lane < rows ? order[first + lane] : -1;
        double logs = 0.0;
        for (int k = 0; k < cliques; k++) {
            // the likelihoods of a group become one array; a group within another is folded in
            const int these = (int)group_first[k], next = (int)group_first[k + 1];
            i64 from[MOST_GROUPS];  // where the array of each group begins; -1 is all ones
            i64 joined[MOST_GROUPS];
            const int *where[MOST_GROUPS];
            int count = 0;
            for (int g = these; g < next; g++)
                from[g - these] = child_of[g] >= 0 ? sep_start[child_of[g]] : -1;
            for (int g = these; g < next; g++) {
                i64 source = from[g - these];
                const int cells = (int)group_cells[g];
                const i64 to = group_at[g];
                for (i64 f = member_first[g]; f < member_first[g + 1]; f++) {
                    const i64 i = column[f];
                    const int kind = (int)kinds[f];
                    bool says = row >= 0;
                    if (kind == CODE) says = says && codes[i * all + row] >= 0;
                    if (kind == NUMBER) says = says && !isnan(values[i * all + row]);
                    if (!__any_sync(0xffffffffu, says)) continue;
                    const int *member = members + member_at[f];
                    const REAL *table = tables + table_at[f];
                    const int size = (int)configs[f];
                    if (kind == CODE) {
                        table += (i64)size * (says ? codes[i * all + row] : states[f]);
                        for (int c = 0; c < cells; c++) {
                            const REAL x = table[member[c]];
                            OWN(work, to + c) = source < 0 ? x : OWN(work, source + c) * x;
                        }
                    } else if (kind == SOFT) {
                        const double *weight = softs + (i * all + (says ? row : 0)) * widest;
                        for (int c = 0; c < cells; c++) {
                            REAL x = says ? (REAL)0 : (REAL)1;
                            if (says)
                                for (int s = 0; s < states[f]; s++)
                                    x += (REAL)weight[s] * table[(i64)s * size + member[c]];
                            OWN(work, to + c) = source < 0 ? x : OWN(work, source + c) * x;
                        }
                    } else {
                        const int pairs = (int)(gauge_at[f + 1] - gauge_at[f]);
                        const double *mean = means + gauge_at[f], *spread = spreads + gauge_at[f];
                        if (says)
                            logs += readings(
                                values[i * all + row], extras[i * all + row], mean, spread, pairs,
                                shares[f], wides[f], scratch, threads, thread);
                        else
                            for (int u = 0; u < pairs; u++) OWN(scratch, u) = 1;
                        for (int c = 0; c < cells; c++) {
                            const REAL x = (REAL)OWN(scratch, member[c]);
                            OWN(work, to + c) = source < 0 ? x : OWN(work, source + c) * x;
                        }
                    }
                    source = to;
                }
                if (source < 0) continue;
                const i64 host = within[g];
                if (host < 0) {
                    joined[count] = source;
                    where[count++] = maps + map_at[g];
                    continue;
                }
                const i64 into = group_at[host], other = from[host - these];
                const int *map = maps + map_at[g];
                for (int c = 0; c < group_cells[host]; c++) {
                    const REAL x = OWN(work, source + map[c]);
                    OWN(work, into + c) = other < 0 ? x : OWN(work, other + c) * x;
                }
                from[host - these] = into;
            }
            const i64 to = sep_start[k], begin = start[k];
            const int cells = (int)(sep_start[k + 1] - sep_start[k]), runs = (int)run[k];
            int g = 0;
            do {
                const REAL *first_time = g == 0 ? prior : 0;
                const int some = count - g < 4 ? count - g : 4;
                switch (some) {
                case 0: MULTIPLY(0) break;
                case 1: MULTIPLY(1) break;
                case 2: MULTIPLY(2) break;
                case 3: MULTIPLY(3) break;
                default: MULTIPLY(4)
                }
                g += some;
            } while (g < count);
            REAL mass = 0;
            for (int s = 0; s < cells; s++) {
                REAL sum = 0;
                for (int r = 0; r < runs; r++) sum += OWN(belief, begin + r * cells + s);
                OWN(work, to + s) = sum;
                mass += sum;
            }
            logs += log((double)mass);
            const REAL scale = mass > 0 ? 1 / mass : 0;
            OWN(scales, k) = scale;
            for (int s = 0; s < cells; s++) OWN(work, to + s) *= scale;
        }
        if (row >= 0) log_evidence[row] = logs;
        for (int k = (int)cliques - 1; k >= 0; k--) {
            if (!wanted[k]) continue;
            const i64 begin = start[k], base = sep_start[k];
            const int cells = (int)(sep_start[k + 1] - base), runs = (int)run[k];
            if (parent[k] >= 0)
                for (int s = 0; s < cells; s++) {
                    const REAL x = OWN(work, base + s);
                    for (int r = 0; r < runs; r++) OWN(belief, begin + r * cells + s) *= x;
                }
            for (i64 e = child_first[k]; e < child_first[k + 1]; e++) {
                const i64 child = children[e];
                if (!(wanted[child] || first_between[child] < first_between[child + 1])) continue;
                const i64 to = sep_start[child];
                const int sent = (int)(sep_start[child + 1] - to), each = (int)home_run[e];
                const int *list = home_cells + home_at[e];
                for (int s = 0; s < sent; s++) {
                    REAL sum = 0;
                    for (int r = 0; r < each; r++)
                        sum += OWN(belief, begin + list[r * sent + s]);
                    OWN(total, s) = sum;
                }
                for (i64 q = first_between[child]; q < first_between[child + 1]; q++)
                    answer(
                        total, 0, q_list + q_at[q], (int)q_cells[q], (int)q_run[q],
                        row < 0 ? 0 : out + row * columns + q_out[q], threads, thread);
                REAL mass = 0;
                for (int s = 0; s < sent; s++) mass += OWN(total, s);
                const REAL scale = mass > 0 ? OWN(scales, child) / mass : 0;
                for (int s = 0; s < sent; s++) {
                    const REAL inward = OWN(work, to + s);
                    OWN(work, to + s) = inward > 0 ? OWN(total, s) * scale / inward : 0;
                }
            }
            for (i64 q = first_inside[k]; q < first_inside[k + 1]; q++)
                answer(
                    belief, begin, q_list + q_at[q], (int)q_cells[q], (int)q_run[q],
                    row < 0 ? 0 : out + row * columns + q_out[q], threads, thread);
        }
    }
}
