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

typedef struct {
    int size;
    const float *points;
} row;

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

static float line(const row *axis, const float *values, float x)
{
    const spot at = find(axis, x);

    return between(values[at.low], values[at.high], at.share);
}

static float plane(const row *axes, const float *values, spot i, float y)
{
    const spot j = find(&axes[1], y);
    const float *low = values + i.low * axes[1].size;
    const float *high = values + i.high * axes[1].size;

    return between(between(low[j.low], low[j.high], j.share),
                   between(high[j.low], high[j.high], j.share), i.share);
}

/* Power out of the store with the auxiliaries, W. */
static float motor_power(float speed, float torque)
{
    return plane(motor_power_axes, motor_power_values, find(&motor_power_axes[0], speed), torque);
}

/* Value of a table over input speed, input torque and factor, with the engine on. */
static float solid(const row *factor_axis, const float *values, spot i, spot j, spot k)
{
    const int torques = running_cost_axes[1].size;
    const int factors = factor_axis->size;
    float edge[4];
    int corner;

    for (corner = 0; corner < 4; ++corner) {
        const int speed = corner < 2 ? i.low : i.high;
        const int torque = corner % 2 == 0 ? j.low : j.high;
        const float *begin = values + (speed * torques + torque) * factors;
        edge[corner] = between(begin[k.low], begin[k.high], k.share);
    }
    return between(between(edge[0], edge[1], j.share), between(edge[2], edge[3], j.share), i.share);
}

/* What the wheels want by road load; speeds at both ends, m/s. */
static want wanted(float speed_start, float speed_end, float grade, float dt)
{
    const float v0 = within(speed_start, 0.0F, FASTEST);
    const float v1 = within(speed_end, 0.0F, FASTEST);
    const float speed = 0.5F * (v0 + v1);
    const float acceleration = (v1 - v0) / dt;
    float force = moved_mass * acceleration;
    want at;

    if (speed > 0.0F) {
        const float slope = within(grade, -1.0F, 1.0F);
        const float square = 1.0F + slope * slope;
        const float air = speed + headwind;
        float cosine = 1.0F / (0.5F + 0.5F * square); /* 1 over a root, by Newton's method */
        int i;
        for (i = 0; i < 4; ++i) {
            cosine = cosine * (1.5F - 0.5F * square * cosine * cosine);
        }
        force += cosine * (rolling_force + weight * slope);
        force += drag * air * most(air, 0.0F - air);
    }
    at.start = v0 / wheel_radius;
    at.speed = speed / wheel_radius;
    at.acceleration = acceleration / wheel_radius;
    at.torque = force * wheel_radius;
    return at;
}

/* Torque at the gearbox input that a wheel torque takes; gears count from 0 here and below. */
static float input_torque(int gear, float torque)
{
    if (torque >= 0.0F) {
        return torque / (ratios[gear] * efficiencies[gear]) + drag_torques[gear];
    }
    return torque * efficiencies[gear] / ratios[gear] + drag_torques[gear];
}

static float fade(float speed)
{
    if (fade_high <= 0.0F || speed >= fade_high) {
        return 1.0F;
    }
    return most(speed - fade_low, 0.0F) / (fade_high - fade_low);
}

static point off_point(const want *of, int gear)
{
    float torque = of->torque;
    point at;

    at.possible = true;
    at.speed = of->speed * ratios[gear];
    if (torque < 0.0F) {
        torque *= recuperated_share * fade(of->speed * wheel_radius);
    }
    at.torque = input_torque(gear, torque) + inertia_off * of->acceleration * ratios[gear];
    return at;
}

/* Cost rate of an interval with the engine off, g/s, and whether it carries what is wanted. */
static float off_cost(const want *of, int gear, float factor, bool *able)
{
    const point at = off_point(of, gear);
    float lacks, power;

    *able = true;
    if (of->speed <= 0.0F) {
        return factor * rest_power;
    }
    if (at.speed > highest_motor_speed) {
        *able = false;
        return IMPOSSIBLE;
    }
    if (at.speed < pump_speed) {
        *able = of->torque <= 0.0F;
        return *able ? factor * coast_power : IMPOSSIBLE;
    }
    lacks = most(at.torque - line(off_limit_axes, off_limit_values, at.speed), 0.0F);
    power = motor_power(at.speed, at.torque) + pump_power;
    if (of->torque <= 0.0F) {
        power = least(power, coast_power);
    }
    *able = lacks <= 0.0F;
    return factor * power + SHORT * lacks;
}

/* Whether the motor had better rest with the engine off: braking, and little is to be had. */
static bool rests(const want *of, int gear)
{
    const point at = off_point(of, gear);

    if (of->speed <= 0.0F || at.speed < pump_speed) {
        return true;
    }
    return of->torque <= 0.0F && motor_power(at.speed, at.torque) + pump_power >= coast_power;
}

static point running_point(const want *of, int gear)
{
    const float shaft = of->speed * ratios[gear];
    const float torque = input_torque(gear, of->torque);
    const float inertia = inertia_on * of->acceleration * ratios[gear];
    point at;

    at.possible = true;
    at.speed = idle_speed;
    at.torque = 0.0F;
    if (of->speed <= 0.0F || (shaft < idle_speed && of->torque <= 0.0F)) {
        return at;
    }
    at.torque = torque;
    if (shaft > highest_speed) {
        at.possible = false;
        return at;
    }
    if (shaft < idle_speed) {
        at.possible = (float)gear < launch_gears && torque <= launch_capacity;
        at.speed = launch_speed;
        return at;
    }
    at.speed = shaft;
    at.torque = torque + inertia;
    if (of->torque < 0.0F) {
        const float kept = input_torque(gear, recuperated_share * of->torque) + inertia;
        at.torque = most(at.torque, least(kept, line(overrun_axes, overrun_values, shaft)));
    }
    return at;
}

static float start_most(float speed)
{
    return least(line(running_limit_axes, running_limit_values, speed),
                 line(start_limit_axes, start_limit_values, speed));
}

/* Fill the least cost of an interval in every gear and engine class, and what carries it. */
static void fill_stage(memory *state, int k, const want *of, float factor, float dt)
{
    const spot worth = find(&running_cost_axes[2], factor);
    const spot start_worth = find(&start_cost_axes[0], factor);
    float lowest = IMPOSSIBLE;
    int g, engine;

    for (g = 0; g < GEARS; ++g) {
        float *stage = state->room.stage[k][g];
        bool *able = state->room.able[g];
        const point at = running_point(of, g);
        stage[OFF] = off_cost(of, g, factor, &able[OFF]) * dt;
        stage[RUNNING] = IMPOSSIBLE;
        stage[STARTING] = IMPOSSIBLE;
        able[RUNNING] = at.possible;
        able[STARTING] = at.possible;
        if (at.possible) {
            const spot i = find(&running_cost_axes[0], at.speed);
            const spot j = find(&running_cost_axes[1], at.torque);
            const float cost = solid(&running_cost_axes[2], running_cost_values, i, j, worth) * dt;
            const float start = start_cost_extra
                + solid(&start_cost_axes[0], start_cost_values, i, j, start_worth);
            const float lacks
                = at.torque - line(running_limit_axes, running_limit_values, at.speed);
            const float lacks_start = at.torque - start_most(at.speed);
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
static void fill_end(memory *state, const want *of)
{
    const spot i = find(&expected_axes[0], of->speed * wheel_radius);
    const spot j = find(&expected_axes[1], of->acceleration * wheel_radius);
    int corner, e, g;

    for (e = 0; e < 2; ++e) {
        for (g = 0; g < GEARS; ++g) {
            state->room.end[e][g] = 0.0F;
        }
    }
    for (corner = 0; corner < 4; ++corner) {
        const float a = corner < 2 ? 1.0F - i.share : i.share;
        const float b = corner % 2 == 0 ? 1.0F - j.share : j.share;
        const int n = (corner < 2 ? i.low : i.high) * expected_axes[1].size
            + (corner % 2 == 0 ? j.low : j.high);
        const float *values = expected_values + n * (2 * GEARS);
        const float share = a * b;
        for (e = 0; e < 2; ++e) {
            for (g = 0; g < GEARS; ++g) {
                state->room.end[e][g] += share * values[e * GEARS + g];
            }
        }
    }
}

static float shift_cost(const memory *state, int k, int engine, int from, int to)
{
    const float any = from == to ? 0.0F : shift_cost_extra;

    return any + shift_fuel[engine][from][to] * state->room.square[k];
}

/* Least cost of an interval and what is ahead by one engine class, from a gear. */
static float best_move(const memory *state, int k, int gear, int engine, const float *ahead)
{
    float best = state->room.stage[k][gear][engine] + ahead[gear];
    int g;

    if (state->room.may_shift[k]) {
        for (g = 0; g < GEARS; ++g) {
            const float shift = shift_cost(state, k, engine, gear, g);
            best = least(best, state->room.stage[k][g][engine] + shift + ahead[g]);
        }
    }
    return best;
}

static float move(const memory *state, int k, int gear, int engine, bool fixed, const float *ahead)
{
    if (fixed) {
        return state->room.stage[k][gear][engine] + ahead[gear];
    }
    return best_move(state, k, gear, engine, ahead);
}

/* Least cost behind the present step; no start or stop in the first intervals, and no shift. */
static int look_ahead(memory *state, int intervals, int engine_lock, int gear_lock)
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
            const float off = move(state, k, g, OFF, fixed, off_ahead);
            const float run = move(state, k, g, RUNNING, fixed, on_ahead);
            const float start = move(state, k, g, STARTING, fixed, on_ahead);
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
static bool start_carries(const want *of, float torque)
{
    want asked = *of;
    int g;

    asked.torque = torque;
    for (g = 0; g < GEARS; ++g) {
        const point at = running_point(&asked, g);
        if (at.possible && at.torque <= start_most(at.speed)) {
            return true;
        }
    }
    return false;
}

/* Whether the engine has to run, since a start in the next step might lack torque. */
static bool must_run(const memory *state, const want *of, bool engine_on)
{
    const float asked = (1.0F + start_reserve) * most(of->torque, state->wheel_torque);

    if (of->speed <= 0.0F || asked <= 0.0F || start_carries(of, asked)) {
        return false;
    }
    return engine_on || start_carries(of, of->torque);
}

/* Fill which engine states and gears are open; first with minimum times, then without. */
static void fill_allowed(memory *state, const input *in, bool must, int gear, bool moves)
{
    const bool on = in->actual_engine_on;
    const bool held = state->engine_time < (on ? min_on : min_off);
    const bool fixed = state->gear_time < min_gear;
    const bool stays_on = on && (!state->room.may_stop[0] || in->soc < stop_soc);
    bool some = false;
    int tries, e, g;

    for (tries = 0; tries < 3 && !some; ++tries) { /* at most 3 times */
        for (e = 0; e < 2; ++e) {
            const bool changes = (e == 1) != on;
            for (g = 0; g < GEARS; ++g) {
                const int engine = class_of(e, on);
                const bool skips = moves && shift_fuel[engine][gear][g] >= CLOSED;
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
static void first_move(memory *state, int intervals, int gear, bool on, float dt, int found[2])
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
        const int hold = locked(e == 1 ? min_on : min_off, engine_time);
        for (shifts = 0; shifts < 2; ++shifts) {
            const int fix = locked(min_gear, shifts == 1 ? dt : state->gear_time + dt);
            if (hold != held || fix != fixed) {
                held = hold;
                fixed = fix;
                here = look_ahead(state, intervals, held, fixed);
            }
            for (g = 0; g < GEARS; ++g) {
                if (state->room.allowed[e][g] && (g != gear) == (shifts == 1)) {
                    const float total = state->room.stage[0][g][engine]
                        + state->room.value[here][e][g] + shift_cost(state, 0, engine, gear, g);
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
static float worth_of_energy(float soc, float speed, float remaining)
{
    const float motion = speed / MOTION_SPEED;
    const float error = soc_reference - soc - motion_charge * motion * motion;
    const float scarce = within(1.0F - (soc - soc_low) / RESERVE, 0.0F, 1.0F);
    const float late = reach / (most(remaining, 0.0F) + LATEST);
    float factor = within(usual_worth + proportional * error, worth_low, worth_high);

    factor += scarce * (worth_high - factor) + most(late - proportional, 0.0F) * error;
    return within(factor, worth_low, worth_high);
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
static float split_cost(const split *of, float factor, float torque, float power)
{
    float torque_engine, fuel;

    if (of->works <= 0.0F) {
        return factor * power;
    }
    torque_engine = (of->wanted - torque) / of->works;
    fuel = plane(fuel_axes, fuel_values, of->engine, most(torque_engine, 0.0F));
    if (torque_engine < 0.0F) {
        fuel *= most(1.0F - torque_engine / of->overrun, 0.0F);
    }
    return of->works * fuel + factor * power;
}

/* Motor torque of the best split with the engine on; costs bend at the points that are tried. */
static float motor_share(const want *of, int gear, bool starts, float factor, float dt, bool *rest)
{
    const point at = running_point(of, gear);
    const float peak = line(motor_limit_axes, motor_limit_values, at.speed);
    const int motor_torques = motor_power_axes[1].size;
    split by;
    float low, high, best, cheapest;
    int i;

    by.motor = find(&motor_power_axes[0], at.speed);
    by.engine = find(&fuel_axes[0], at.speed);
    by.wanted = at.torque;
    by.works = starts ? most(1.0F - start_duration / dt, 0.0F) : 1.0F;
    by.drag = line(drag_axes, drag_values, at.speed);
    by.overrun = line(overrun_axes, overrun_values, at.speed);
    low = most(at.torque - by.works * line(engine_limit_axes, engine_limit_values, at.speed),
               0.0F - peak);
    high = at.torque - by.works * by.overrun;
    if (of->torque < 0.0F) {
        high = most(high, 0.0F);
    }
    high = least(high, peak);
    low = least(low, high);
    *rest = low <= 0.0F - by.drag && 0.0F - by.drag <= high;
    best = 0.0F;
    cheapest = *rest ? split_cost(&by, factor, 0.0F - by.drag, idle_power) : FLT_MAX;
    for (i = 0; i < SPLITS; ++i) {
        float torque = i == 0 ? low : high;
        if (i == 2) {
            torque = at.torque - by.works * by.overrun;
        } else if (i >= 3 + motor_torques) {
            torque = at.torque - by.works * fuel_axes[1].points[i - 3 - motor_torques];
        } else if (i > 2) {
            torque = motor_power_axes[1].points[i - 3];
        }
        if (low <= torque && torque <= high) {
            const float power = plane(motor_power_axes, motor_power_values, by.motor, torque);
            const float cost = split_cost(&by, factor, torque, power);
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
    bool fault = !(finite_number(in->soc) && finite_number(in->remaining) && finite_number(in->dt) && in->dt > 0.0F
                   && finite_number(state->engine_time) && finite_number(state->gear_time)
                   && finite_number(in->speed[0]));
    int k;

    for (k = 0; k < intervals + 1; ++k) { /* at most INTERVALS + 1 times */
        fault = fault || !finite_number(in->speed[k + 1]) || !finite_number(in->grade[k]);
    }
    return fault;
}

void ${name}_decide(${name}_state *state, const ${name}_inputs *inputs, ${name}_command *command)
{
    const int intervals = nearest(inputs->intervals, 0, INTERVALS);
    const int gear = nearest(inputs->actual_gear, 1, GEARS) - 1;
    const bool on = inputs->actual_engine_on;
    const float dt = within(inputs->dt, 1e-3F, 100.0F);
    float factor = worth_low;
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
    of = wanted(inputs->speed[0], inputs->speed[1], inputs->grade[0], dt);
    factor = worth_of_energy(within(inputs->soc, 0.0F, 1.0F), of.speed * wheel_radius,
                             inputs->remaining);
    for (k = intervals; k >= 0; --k) { /* at most INTERVALS + 1 times */
        of = wanted(inputs->speed[k], inputs->speed[k + 1], inputs->grade[k], k == 0 ? dt : STEP);
        fill_stage(state, k, &of, factor, k == 0 ? dt : STEP);
        state->room.square[k] = of.start * of.start;
        state->room.may_stop[k] = of.speed * wheel_radius <= stop_speed;
        state->room.may_shift[k] = !(of.start > 0.0F && of.torque < 0.0F
                                     && of.speed * wheel_radius < brake_shift_speed);
        if (k == intervals) {
            fill_end(state, &of);
        }
    } /* what is wanted, and what carries it, are now those of the present step */
    fill_allowed(state, inputs, must_run(state, &of, on), gear, of.start > 0.0F);
    first_move(state, intervals, gear, on, dt, found);
    command->engine_on = found[0] == 1;
    command->gear = found[1] + 1;
    if (found[0] == 1) {
        command->motor_torque
            = motor_share(&of, found[1], !on, factor, dt, &command->motor_rests);
    } else {
        command->motor_rests = rests(&of, found[1]);
        command->motor_torque = command->motor_rests ? 0.0F : off_point(&of, found[1]).torque;
    }
    state->wheel_torque = of.torque;
}

void ${name}_init(${name}_state *state, bool actual_engine_on, int actual_gear)
{
    state->engine_time = LONG_AGO;
    state->gear_time = LONG_AGO;
    state->wheel_torque = -FLT_MAX;
    state->engine_on = actual_engine_on;
    state->gear = nearest(actual_gear, 1, GEARS);
    state->dt = 0.0F;
}

void ${name}_step(${name}_state *state, const ${name}_inputs *inputs, ${name}_command *command)
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
    ${name}_decide(state, inputs, command);
}
