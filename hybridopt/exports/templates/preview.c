/*
${comment}
 */
#include "${name}.h"

#include <float.h>

#define GEARS ${guard}_GEARS
#define INTERVALS ${guard}_INTERVALS
#define STEP ${guard}_STEP
#define OFF 0
#define RUNNING 1
#define STARTING 2
#define CLASSES 3
#define SEARCH ${search}
#define SPLITS ${splits}
#define LONG_AGO 1e6F
#define FASTEST 150.0F
#define MOTION_SPEED (100.0F / 3.6F)
#define RESERVE ${reserve}
#define LATEST ${latest}
#define SHORT ${short}
#define IMPOSSIBLE ${impossible}
#define CLOSED ${closed}
#define ROUNDING 1e-4F
#define TIE 1e-5F /* g, within which the first choice stands, the present one before others */

typedef ${name}_state memory;
typedef ${name}_inputs input;

#ifdef ${guard}_CALIBRATION
#define KEPT const volatile /* every value has its place in memory, and is read from there */
static KEPT char ${name}_calibrated = 1; /* an object says by it how it was compiled */
#else
#define KEPT const
#endif

typedef struct {
    int size;
    KEPT float *points;
} row;

typedef KEPT float fuel_by_gears[GEARS][GEARS];

/* Cells of an axis around a place, and the share of the second one. */
typedef struct {
    int low;
    int high;
    float share;
} spot;

/* What the wheels want in an interval. */
typedef struct {
    float start;        /* rad/s, at its start */
    float speed;        /* rad/s, mean */
    float acceleration; /* rad/s2 */
    float torque;       /* N m */
} want;

/* Speed and torque wanted at the gearbox input. */
typedef struct {
    bool possible;
    float speed;
    float torque;
} point;

/* Where all that can be calibrated lies. */
typedef struct {
${members}
} tables;

${arrays}

static float least(float a, float b)
{
    return a < b ? a : b;
}

static float most(float a, float b)
{
    return a > b ? a : b;
}

static float within(float x, float low, float high)
{
    return least(most(x, low), high);
}

static bool finite_number(float x)
{
    return x >= -FLT_MAX && x <= FLT_MAX;
}

static spot find(const row *axis, float x)
{
    spot at;

    at.low = 0;
    at.high = axis->size - 1;
    at.share = 0.0F;
    while (at.high - at.low > 1) { /* at most SEARCH times */
        const int middle = (at.low + at.high) / 2;
        if (axis->points[middle] <= x) {
            at.low = middle;
        } else {
            at.high = middle;
        }
    }
    if (at.high > at.low) {
        const float a = axis->points[at.low];
        const float b = axis->points[at.high];
        at.share = within((x - a) / (b - a), 0.0F, 1.0F);
    }
    return at;
}

static float between(float a, float b, float share)
{
    return a + share * (b - a);
}

static float line(const row *axis, KEPT float *values, float x)
{
    const spot at = find(axis, x);

    return between(values[at.low], values[at.high], at.share);
}

static float plane(const row *axes, KEPT float *values, spot i, float y)
{
    const spot j = find(&axes[1], y);
    KEPT float *low = values + i.low * axes[1].size;
    KEPT float *high = values + i.high * axes[1].size;

    return between(between(low[j.low], low[j.high], j.share),
                   between(high[j.low], high[j.high], j.share), i.share);
}

/* Power out of the store with the auxiliaries, W. */
static float motor_power(const tables *t, float speed, float torque)
{
    return plane(t->motor_power_axes, t->motor_power_values,
                 find(&t->motor_power_axes[0], speed), torque);
}

/* Value of a table over input speed, input torque and factor, with the engine on. */
static float solid(const tables *t, const row *factor_axis, KEPT float *values, spot i, spot j,
                   spot k)
{
    const int torques = t->running_cost_axes[1].size;
    const int factors = factor_axis->size;
    float edge[4];
    int corner;

    for (corner = 0; corner < 4; ++corner) {
        const int speed = corner < 2 ? i.low : i.high;
        const int torque = corner % 2 == 0 ? j.low : j.high;
        KEPT float *begin = values + (speed * torques + torque) * factors;
        edge[corner] = between(begin[k.low], begin[k.high], k.share);
    }
    return between(between(edge[0], edge[1], j.share), between(edge[2], edge[3], j.share), i.share);
}

/* What the wheels want by road load; speeds at both ends, m/s. */
static want wanted(const tables *t, float speed_start, float speed_end, float grade, float dt)
{
    const float v0 = within(speed_start, 0.0F, FASTEST);
    const float v1 = within(speed_end, 0.0F, FASTEST);
    const float speed = 0.5F * (v0 + v1);
    const float acceleration = (v1 - v0) / dt;
    float force = *t->moved_mass * acceleration;
    want at;

    if (speed > 0.0F) {
        const float slope = within(grade, -1.0F, 1.0F);
        const float square = 1.0F + slope * slope;
        const float air = speed + *t->headwind;
        float cosine = 1.0F / (0.5F + 0.5F * square); /* 1 over a root, by Newton's method */
        int i;
        for (i = 0; i < 4; ++i) {
            cosine = cosine * (1.5F - 0.5F * square * cosine * cosine);
        }
        force += cosine * (*t->rolling_force + *t->weight * slope);
        force += *t->drag_factor * air * most(air, 0.0F - air);
    }
    at.start = v0 / *t->wheel_radius;
    at.speed = speed / *t->wheel_radius;
    at.acceleration = acceleration / *t->wheel_radius;
    at.torque = force * *t->wheel_radius;
    return at;
}

/* Torque at the gearbox input that a wheel torque takes; gears count from 0 here and below. */
static float input_torque(const tables *t, int gear, float torque)
{
    if (torque >= 0.0F) {
        return torque / (t->ratios[gear] * t->efficiencies[gear]) + t->drag_torques[gear];
    }
    return torque * t->efficiencies[gear] / t->ratios[gear] + t->drag_torques[gear];
}

static float fade(const tables *t, float speed)
{
    if (*t->fade_high <= 0.0F || speed >= *t->fade_high) {
        return 1.0F;
    }
    return most(speed - *t->fade_low, 0.0F) / (*t->fade_high - *t->fade_low);
}

static point off_point(const tables *t, const want *of, int gear)
{
    float torque = of->torque;
    point at;

    at.possible = true;
    at.speed = of->speed * t->ratios[gear];
    if (torque < 0.0F) {
        torque *= *t->recuperated_share * fade(t, of->speed * *t->wheel_radius);
    }
    at.torque = input_torque(t, gear, torque)
        + *t->inertia_off * of->acceleration * t->ratios[gear];
    return at;
}

/* Cost rate of an interval with the engine off, g/s, and whether it carries what is wanted. */
static float off_cost(const tables *t, const want *of, int gear, float factor, bool *able)
{
    const point at = off_point(t, of, gear);
    float lacks, power;

    *able = true;
    if (of->speed <= 0.0F) {
        return factor * *t->rest_power;
    }
    if (at.speed > *t->highest_motor_speed) {
        *able = false;
        return IMPOSSIBLE;
    }
    if (at.speed < *t->pump_speed) {
        *able = of->torque <= 0.0F;
        return *able ? factor * *t->coast_power : IMPOSSIBLE;
    }
    lacks = most(at.torque - line(t->off_limit_axes, t->off_limit_values, at.speed), 0.0F);
    power = motor_power(t, at.speed, at.torque) + *t->pump_power;
    if (of->torque <= 0.0F) {
        power = least(power, *t->coast_power);
    }
    *able = lacks <= 0.0F;
    return factor * power + SHORT * lacks;
}

/* Whether the motor had better rest with the engine off: braking, and little is to be had. */
static bool rests(const tables *t, const want *of, int gear)
{
    const point at = off_point(t, of, gear);

    if (of->speed <= 0.0F || at.speed < *t->pump_speed) {
        return true;
    }
    return of->torque <= 0.0F
        && motor_power(t, at.speed, at.torque) + *t->pump_power >= *t->coast_power;
}

static point running_point(const tables *t, const want *of, int gear)
{
    const float shaft = of->speed * t->ratios[gear];
    const float torque = input_torque(t, gear, of->torque);
    const float inertia = *t->inertia_on * of->acceleration * t->ratios[gear];
    point at;

    at.possible = true;
    at.speed = *t->idle_speed;
    at.torque = 0.0F;
    if (of->speed <= 0.0F || (shaft < *t->idle_speed && of->torque <= 0.0F)) {
        return at;
    }
    at.torque = torque;
    if (shaft > *t->highest_speed) {
        at.possible = false;
        return at;
    }
    if (shaft < *t->idle_speed) {
        at.possible = (float)gear < *t->launch_gears && torque <= *t->launch_capacity;
        at.speed = *t->launch_speed;
        return at;
    }
    at.speed = shaft;
    at.torque = torque + inertia;
    if (of->torque < 0.0F) {
        const float kept = input_torque(t, gear, *t->recuperated_share * of->torque) + inertia;
        at.torque = most(at.torque, least(kept, line(t->overrun_axes, t->overrun_values, shaft)));
    }
    return at;
}

static float start_most(const tables *t, float speed)
{
    return least(line(t->running_limit_axes, t->running_limit_values, speed),
                 line(t->start_limit_axes, t->start_limit_values, speed));
}

/* Fill the least cost of an interval in every gear and engine class, and what carries it. */
static void fill_stage(const tables *t, memory *state, int k, const want *of, float factor,
                       float dt)
{
    const spot worth = find(&t->running_cost_axes[2], factor);
    const spot start_worth = find(&t->start_cost_axes[0], factor);
    float lowest = IMPOSSIBLE;
    int g, engine;

    for (g = 0; g < GEARS; ++g) {
        float *stage = state->room.stage[k][g];
        bool *able = state->room.able[g];
        const point at = running_point(t, of, g);
        stage[OFF] = off_cost(t, of, g, factor, &able[OFF]) * dt;
        stage[RUNNING] = IMPOSSIBLE;
        stage[STARTING] = IMPOSSIBLE;
        able[RUNNING] = at.possible;
        able[STARTING] = at.possible;
        if (at.possible) {
            const spot i = find(&t->running_cost_axes[0], at.speed);
            const spot j = find(&t->running_cost_axes[1], at.torque);
            const float cost
                = dt * solid(t, &t->running_cost_axes[2], t->running_cost_values, i, j, worth);
            const float start = *t->start_cost_extra
                + solid(t, &t->start_cost_axes[0], t->start_cost_values, i, j, start_worth);
            const float lacks
                = at.torque - line(t->running_limit_axes, t->running_limit_values, at.speed);
            const float lacks_start = at.torque - start_most(t, at.speed);
            stage[RUNNING] = cost + SHORT * most(lacks, 0.0F) * dt;
            stage[STARTING] = cost + start + SHORT * most(lacks_start, 0.0F) * dt;
            able[RUNNING] = lacks <= 0.0F;
            able[STARTING] = lacks_start <= 0.0F;
        }
        for (engine = 0; engine < CLASSES; ++engine) {
            lowest = least(lowest, stage[engine]);
        }
    }
    for (g = 0; g < GEARS; ++g) { /* what all have in common costs digits */
        for (engine = 0; engine < CLASSES; ++engine) {
            state->room.stage[k][g][engine] -= lowest;
        }
    }
}

/* Fill the cost expected behind the last interval in every engine state and gear. */
static void fill_end(const tables *t, memory *state, const want *of)
{
    const spot i = find(&t->expected_axes[0], of->speed * *t->wheel_radius);
    const spot j = find(&t->expected_axes[1], of->acceleration * *t->wheel_radius);
    int corner, e, g;

    for (e = 0; e < 2; ++e) {
        for (g = 0; g < GEARS; ++g) {
            state->room.end[e][g] = 0.0F;
        }
    }
    for (corner = 0; corner < 4; ++corner) {
        const float a = corner < 2 ? 1.0F - i.share : i.share;
        const float b = corner % 2 == 0 ? 1.0F - j.share : j.share;
        const int n = (corner < 2 ? i.low : i.high) * t->expected_axes[1].size
            + (corner % 2 == 0 ? j.low : j.high);
        KEPT float *values = t->expected_values + n * (2 * GEARS);
        const float share = a * b;
        for (e = 0; e < 2; ++e) {
            for (g = 0; g < GEARS; ++g) {
                state->room.end[e][g] += share * values[e * GEARS + g];
            }
        }
    }
}

static float shift_cost(const tables *t, const memory *state, int k, int engine, int from, int to)
{
    const float any = from == to ? 0.0F : *t->shift_cost_extra;

    return any + t->shift_fuel[engine][from][to] * state->room.square[k];
}

/* Least cost of an interval and what is ahead by one engine class, from a gear. */
static float best_move(const tables *t, const memory *state, int k, int gear, int engine,
                       const float *ahead)
{
    float best = state->room.stage[k][gear][engine] + ahead[gear];
    int g;

    if (state->room.may_shift[k]) {
        for (g = 0; g < GEARS; ++g) {
            const float shift = shift_cost(t, state, k, engine, gear, g);
            best = least(best, state->room.stage[k][g][engine] + shift + ahead[g]);
        }
    }
    return best;
}

static float move(const tables *t, const memory *state, int k, int gear, int engine, bool fixed,
                  const float *ahead)
{
    if (fixed) {
        return state->room.stage[k][gear][engine] + ahead[gear];
    }
    return best_move(t, state, k, gear, engine, ahead);
}

/* Least cost behind the present step; no start or stop in the first intervals, and no shift. */
static int look_ahead(const tables *t, memory *state, int intervals, int engine_lock, int gear_lock)
{
    int here = 0;
    int e, g, k;

    for (e = 0; e < 2; ++e) {
        for (g = 0; g < GEARS; ++g) {
            state->room.value[0][e][g] = state->room.end[e][g];
        }
    }
    for (k = intervals; k >= 1; --k) { /* at most INTERVALS times */
        const float *off_ahead = state->room.value[here][0];
        const float *on_ahead = state->room.value[here][1];
        const bool held = k <= engine_lock;
        const bool fixed = k <= gear_lock;
        for (g = 0; g < GEARS; ++g) {
            const float off = move(t, state, k, g, OFF, fixed, off_ahead);
            const float run = move(t, state, k, g, RUNNING, fixed, on_ahead);
            const float start = move(t, state, k, g, STARTING, fixed, on_ahead);
            state->room.value[1 - here][0][g] = held ? off : least(off, start);
            state->room.value[1 - here][1][g]
                = held || !state->room.may_stop[k] ? run : least(run, off);
        }
        here = 1 - here;
    }
    return here;
}

/* How many intervals are left of a minimum time. */
static int locked(float minimum, float time)
{
    const float left = (minimum - time) / STEP - ROUNDING;
    int whole;

    if (left <= 0.0F) {
        return 0;
    }
    if (left >= (float)INTERVALS) {
        return INTERVALS;
    }
    whole = (int)left;
    return (float)whole < left ? whole + 1 : whole;
}

static int class_of(int e, bool engine_on)
{
    return e == 0 ? OFF : (engine_on ? RUNNING : STARTING);
}

/* Whether a step of starting could give a torque at the wheels here, in any gear. */
static bool start_carries(const tables *t, const want *of, float torque)
{
    want asked = *of;
    int g;

    asked.torque = torque;
    for (g = 0; g < GEARS; ++g) {
        const point at = running_point(t, &asked, g);
        if (at.possible && at.torque <= start_most(t, at.speed)) {
            return true;
        }
    }
    return false;
}

/* Whether the engine has to run, since a start in the next step might lack torque. */
static bool must_run(const tables *t, const memory *state, const want *of, bool engine_on)
{
    const float asked = (1.0F + *t->start_reserve) * most(of->torque, state->wheel_torque);

    if (of->speed <= 0.0F || asked <= 0.0F || start_carries(t, of, asked)) {
        return false;
    }
    return engine_on || start_carries(t, of, of->torque);
}

/* Fill which engine states and gears are open; first with minimum times, then without. */
static void fill_allowed(const tables *t, memory *state, const input *in, bool must, int gear,
                         bool moves)
{
    const bool on = in->actual_engine_on;
    const bool held = state->engine_time < (on ? *t->min_on : *t->min_off);
    const bool fixed = state->gear_time < *t->min_gear;
    const bool stays_on = on && (!state->room.may_stop[0] || in->soc < *t->stop_soc);
    bool some = false;
    int tries, e, g;

    for (tries = 0; tries < 3 && !some; ++tries) { /* at most 3 times */
        for (e = 0; e < 2; ++e) {
            const bool changes = (e == 1) != on;
            for (g = 0; g < GEARS; ++g) {
                const int engine = class_of(e, on);
                const bool skips = moves && t->shift_fuel[engine][gear][g] >= CLOSED;
                bool closed = (e == 0 && stays_on) || skips
                    || (g != gear && !state->room.may_shift[0]);
                closed = closed
                    || (tries == 0
                        && ((held && changes) || (fixed && g != gear) || (must && e == 0)));
                closed = closed || (tries < 2 && !state->room.able[g][engine]);
                state->room.allowed[e][g] = !closed;
                some = some || !closed;
            }
        }
    }
}

/* Engine state and gear of the present step on the shortest path. */
static void first_move(const tables *t, memory *state, int intervals, int gear, bool on, float dt,
                       int found[2])
{
    float best = FLT_MAX;
    int held = -1;
    int fixed = -1;
    int here = 0;
    int e, shifts, g;

    found[0] = on ? 1 : 0;
    found[1] = gear;
    for (e = 0; e < 2; ++e) {
        const float engine_time = (e == 1) == on ? state->engine_time + dt : dt;
        const int engine = class_of(e, on);
        const int hold = locked(e == 1 ? *t->min_on : *t->min_off, engine_time);
        for (shifts = 0; shifts < 2; ++shifts) {
            const int fix = locked(*t->min_gear, shifts == 1 ? dt : state->gear_time + dt);
            if (hold != held || fix != fixed) {
                held = hold;
                fixed = fix;
                here = look_ahead(t, state, intervals, held, fixed);
            }
            for (g = 0; g < GEARS; ++g) {
                if (state->room.allowed[e][g] && (g != gear) == (shifts == 1)) {
                    const float total = state->room.stage[0][g][engine]
                        + state->room.value[here][e][g] + shift_cost(t, state, 0, engine, gear, g);
                    if (total < best - TIE) {
                        best = total;
                        found[0] = e;
                        found[1] = g;
                    }
                }
            }
        }
    }
}

/* What stored energy is worth, g/J: it rises as charge is missing, and near the window's end.
   Where the end of the drive is known, missing charge weighs the more the nearer it is. */
static float worth_of_energy(const tables *t, float soc, float speed, float remaining)
{
    const float motion = speed / MOTION_SPEED;
    const float error = *t->soc_reference - soc - *t->motion_charge * motion * motion;
    const float scarce = within(1.0F - (soc - *t->soc_low) / RESERVE, 0.0F, 1.0F);
    const float late = *t->reach / (most(remaining, 0.0F) + LATEST);
    const float lowest = t->running_cost_axes[2].points[0];
    const float highest = t->running_cost_axes[2].points[t->running_cost_axes[2].size - 1];
    float factor = within(*t->usual_worth + *t->worth_rise * error, lowest, highest);

    factor += scarce * (highest - factor) + most(late - *t->worth_rise, 0.0F) * error;
    return within(factor, lowest, highest);
}

/* What a split of the torque wanted at a shaft speed is judged by. */
typedef struct {
    spot motor;
    spot engine;
    float wanted;
    float works; /* share of the step in which the engine works */
    float drag;
    float overrun;
} split;

/* Cost rate of a motor torque with the engine on, g/s, at a power out of the store. */
static float split_cost(const tables *t, const split *of, float factor, float torque, float power)
{
    float torque_engine, fuel;

    if (of->works <= 0.0F) {
        return factor * power;
    }
    torque_engine = (of->wanted - torque) / of->works;
    fuel = plane(t->fuel_axes, t->fuel_values, of->engine, most(torque_engine, 0.0F));
    if (torque_engine < 0.0F) {
        fuel *= most(1.0F - torque_engine / of->overrun, 0.0F);
    }
    return of->works * fuel + factor * power;
}

/* Motor torque of the best split with the engine on; costs bend at the points that are tried. */
static float motor_share(const tables *t, const want *of, int gear, bool starts, float factor,
                         float dt, bool *rest)
{
    const point at = running_point(t, of, gear);
    const float peak = line(t->motor_limit_axes, t->motor_limit_values, at.speed);
    const int motor_torques = t->motor_power_axes[1].size;
    split by;
    float low, high, best, cheapest;
    int i;

    by.motor = find(&t->motor_power_axes[0], at.speed);
    by.engine = find(&t->fuel_axes[0], at.speed);
    by.wanted = at.torque;
    by.works = starts ? most(1.0F - *t->start_duration / dt, 0.0F) : 1.0F;
    by.drag = line(t->drag_axes, t->drag_values, at.speed);
    by.overrun = line(t->overrun_axes, t->overrun_values, at.speed);
    low = most(at.torque - by.works * line(t->engine_limit_axes, t->engine_limit_values, at.speed),
               0.0F - peak);
    high = at.torque - by.works * by.overrun;
    if (of->torque < 0.0F) {
        high = most(high, 0.0F);
    }
    high = least(high, peak);
    low = least(low, high);
    *rest = low <= 0.0F - by.drag && 0.0F - by.drag <= high;
    best = 0.0F;
    cheapest = *rest ? split_cost(t, &by, factor, 0.0F - by.drag, *t->idle_power) : FLT_MAX;
    for (i = 0; i < SPLITS; ++i) {
        float torque = i == 0 ? low : high;
        if (i == 2) {
            torque = at.torque - by.works * by.overrun;
        } else if (i >= 3 + motor_torques) {
            torque = at.torque - by.works * t->fuel_axes[1].points[i - 3 - motor_torques];
        } else if (i > 2) {
            torque = t->motor_power_axes[1].points[i - 3];
        }
        if (low <= torque && torque <= high) {
            const float power = plane(t->motor_power_axes, t->motor_power_values, by.motor, torque);
            const float cost = split_cost(t, &by, factor, torque, power);
            if (cost < cheapest) {
                best = torque;
                cheapest = cost;
                *rest = false;
            }
        }
    }
    return best;
}

static int nearest(int x, int low, int high)
{
    return x < low ? low : (x > high ? high : x);
}

static bool faulty(const memory *state, const input *in, int intervals)
{
    bool fault = !(finite_number(in->soc) && finite_number(in->remaining)
                   && finite_number(in->dt) && in->dt > 0.0F
                   && finite_number(state->engine_time) && finite_number(state->gear_time)
                   && finite_number(in->speed[0]));
    int k;

    for (k = 0; k < intervals + 1; ++k) { /* at most INTERVALS + 1 times */
        fault = fault || !finite_number(in->speed[k + 1]) || !finite_number(in->grade[k]);
    }
    return fault;
}

static void decide(const tables *t, memory *state, const input *inputs,
                   ${name}_command *command)
{
    const int intervals = nearest(inputs->intervals, 0, INTERVALS);
    const int gear = nearest(inputs->actual_gear, 1, GEARS) - 1;
    const bool on = inputs->actual_engine_on;
    const float dt = within(inputs->dt, 1e-3F, 100.0F);
    float factor = 0.0F;
    int found[2];
    want of;
    int k;

    command->engine_on = on;
    command->gear = gear + 1;
    command->motor_torque = 0.0F;
    command->motor_rests = false;
    command->fault = faulty(state, inputs, intervals);
    if (command->fault) {
        return;
    }
    of = wanted(t, inputs->speed[0], inputs->speed[1], inputs->grade[0], dt);
    factor = worth_of_energy(t, within(inputs->soc, 0.0F, 1.0F), of.speed * *t->wheel_radius,
                             inputs->remaining);
    for (k = intervals; k >= 0; --k) { /* at most INTERVALS + 1 times */
        of = wanted(t, inputs->speed[k], inputs->speed[k + 1], inputs->grade[k],
                    k == 0 ? dt : STEP);
        fill_stage(t, state, k, &of, factor, k == 0 ? dt : STEP);
        state->room.square[k] = of.start * of.start;
        state->room.may_stop[k] = of.speed * *t->wheel_radius <= *t->stop_speed;
        state->room.may_shift[k] = !(of.start > 0.0F && of.torque < 0.0F
                                     && of.speed * *t->wheel_radius < *t->brake_shift_speed);
        if (k == intervals) {
            fill_end(t, state, &of);
        }
    } /* what is wanted, and what carries it, are now those of the present step */
    fill_allowed(t, state, inputs, must_run(t, state, &of, on), gear, of.start > 0.0F);
    first_move(t, state, intervals, gear, on, dt, found);
    command->engine_on = found[0] == 1;
    command->gear = found[1] + 1;
    if (found[0] == 1) {
        command->motor_torque
            = motor_share(t, &of, found[1], !on, factor, dt, &command->motor_rests);
    } else {
        command->motor_rests = rests(t, &of, found[1]);
        command->motor_torque = command->motor_rests ? 0.0F : off_point(t, &of, found[1]).torque;
    }
    state->wheel_torque = of.torque;
}

void ${name}_init(${name}_state *state, bool actual_engine_on, int actual_gear)
{
#ifdef ${guard}_CALIBRATION
    (void)${name}_calibrated;
#endif
    state->engine_time = LONG_AGO;
    state->gear_time = LONG_AGO;
    state->wheel_torque = -FLT_MAX;
    state->engine_on = actual_engine_on;
    state->gear = nearest(actual_gear, 1, GEARS);
    state->dt = 0.0F;
}

static void step(const tables *t, memory *state, const input *inputs, ${name}_command *command)
{
    const bool engine_on = inputs->actual_engine_on;
    const int gear = nearest(inputs->actual_gear, 1, GEARS);
    const bool timed = finite_number(inputs->dt);

    state->engine_time = least((state->engine_on == engine_on ? state->engine_time : 0.0F)
                                   + state->dt, LONG_AGO);
    state->gear_time = least((state->gear == gear ? state->gear_time : 0.0F) + state->dt, LONG_AGO);
    state->engine_on = engine_on;
    state->gear = gear;
    state->dt = timed ? most(inputs->dt, 0.0F) : 0.0F;
    decide(t, state, inputs, command);
}

void ${name}_decide(${name}_state *state, const ${name}_inputs *inputs, ${name}_command *command)
{
    decide(&kept_tables, state, inputs, command);
}

void ${name}_step(${name}_state *state, const ${name}_inputs *inputs, ${name}_command *command)
{
    step(&kept_tables, state, inputs, command);
}
