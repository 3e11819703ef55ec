/*
${comment}
 */
#include "${name}.h"

#include <float.h>

#define GEARS ${guard}_GEARS
#define LONG_AGO 1e6F
#define MOTION_SPEED (100.0F / 3.6F)

#ifdef ${guard}_CALIBRATION
#define KEPT const volatile /* every value has its place in memory, and is read from there */
static KEPT char ${name}_calibrated = 1; /* an object says by it how it was compiled */
#else
#define KEPT const
#endif

typedef ${entry} entry;

typedef struct {
    int size;
    KEPT entry *entries;${row_fields}
} row;

typedef struct {
    row axes[3];
    row values;
} map;

/* Where all that can be calibrated lies. */
typedef struct {
${members}
} tables;

${arrays}

static float figure(const row *from, int i)
{
    return ${figure};
}

static float least(float a, float b)
{
    return a < b ? a : b;
}

static float most(float a, float b)
{
    return a > b ? a : b;
}

static bool finite_number(float x)
{
    return x >= -FLT_MAX && x <= FLT_MAX;
}

/* Cell of an axis, and the place in it, 0 to 1. */
static int cell(const row *axis, float x, float *place)
{
    int low = 0;
    int high = axis->size - 1;

    *place = 0.0F;
    if (high == 0) {
        return 0;
    }
    while (high - low > 1) {
        const int middle = (low + high) / 2;
        if (figure(axis, middle) <= x) {
            low = middle;
        } else {
            high = middle;
        }
    }
    {
        const float a = figure(axis, low);
        const float b = figure(axis, low + 1);
        *place = least(most((x - a) / (b - a), 0.0F), 1.0F);
    }
    return low;
}

static float lookup(const map *from, float x1, float x2, float x3)
{
    const int n1 = from->axes[0].size;
    const int n2 = from->axes[1].size;
    const int n3 = from->axes[2].size;
    float u, v, w;
    const int i = cell(&from->axes[0], x1, &u);
    const int j = cell(&from->axes[1], x2, &v);
    const int k = cell(&from->axes[2], x3, &w);
    float total = 0.0F;
    int a, b, c;

    for (a = 0; a < (n1 > 1 ? 2 : 1); ++a) {
        for (b = 0; b < (n2 > 1 ? 2 : 1); ++b) {
            for (c = 0; c < (n3 > 1 ? 2 : 1); ++c) {
                const float share = (a ? u : 1.0F - u) * (b ? v : 1.0F - v) * (c ? w : 1.0F - w);
                if (share > 0.0F) {
                    total += share * figure(&from->values, ((i + a) * n2 + j + b) * n3 + k + c);
                }
            }
        }
    }
    return total;
}

/* Speed at which a gear is left upwards; gears count from 0 here and below. */
static float up_line(const tables *t, int gear, float torque, float engine)
{
    return lookup(&t->shift_up, (float)(gear + 1), torque, engine);
}

static float down_line(const tables *t, int gear, float torque, float engine)
{
    return lookup(&t->shift_down, (float)(gear + 1), torque, engine);
}

/* Gear by lines; once a gear is left, the next lines move towards those that lead back. */
static int gear_by_lines(const tables *t, const ${name}_inputs *in, bool on, int gear,
                         bool time_over)
{
    const float shaft = in->wheel_speed * t->ratios[gear];
    const bool starts = on && !in->actual_engine_on; /* what is held was chosen for the motor */
    const bool fits = shaft <= *t->highest_speed
        && (!on || gear == 0 || in->wheel_speed <= 0.0F || shaft >= *t->idle_speed);
    const float engine = on ? 1.0F : 0.0F;
    const float torque = in->wheel_torque;
    const int before = gear;

    if (fits && !time_over && !starts) {
        return gear;
    }
    while (gear > 0) {
        float line = down_line(t, gear, torque, engine);
        if (gear < before) {
            line += *t->land_down * most(up_line(t, gear - 1, torque, engine) - line, 0.0F);
        }
        if (in->speed >= line) {
            break;
        }
        --gear;
    }
    while (gear >= before && gear + 1 < GEARS) {
        float line = up_line(t, gear, torque, engine);
        if (gear > before) {
            line -= *t->land_up * most(line - down_line(t, gear + 1, torque, engine), 0.0F);
        }
        if (in->speed < line) {
            break;
        }
        ++gear;
    }
    return gear;
}

static int nearest_gear(int gear)
{
    return gear < 1 ? 1 : (gear > GEARS ? GEARS : gear);
}

static void decide(const tables *t, const ${name}_inputs *inputs, float engine_time,
                   float gear_time, ${name}_command *command)
{
    const float power = inputs->wheel_torque * inputs->wheel_speed;
    const float motion = inputs->speed / MOTION_SPEED;
    const float charge = inputs->soc + *t->motion_charge * motion * motion;
    const int gear = nearest_gear(inputs->actual_gear) - 1;
    bool on = inputs->actual_engine_on;
    int chosen = gear;
    float wanted = 0.0F;
    int tries;

    command->engine_on = on;
    command->gear = gear + 1;
    command->motor_torque = 0.0F;
    command->fault = !(finite_number(inputs->speed) && finite_number(inputs->wheel_speed)
                       && finite_number(inputs->wheel_torque) && finite_number(inputs->soc)
                       && finite_number(engine_time) && finite_number(gear_time));
    if (command->fault) {
        return;
    }
    if (on && engine_time >= *t->min_on) {
        on = power >= lookup(&t->engine_stop, inputs->speed, charge, 0.0F);
    } else if (!on && engine_time >= *t->min_off) {
        on = power >= lookup(&t->engine_start, inputs->speed, charge, 0.0F);
    }
    for (tries = 0; tries < 2; ++tries) {
        chosen = gear_by_lines(t, inputs, on, gear, gear_time >= *t->min_gear);
        wanted = inputs->wheel_torque / (t->ratios[chosen] * t->efficiencies[chosen]);
        if (inputs->wheel_torque < 0.0F) {
            wanted = inputs->wheel_torque * t->efficiencies[chosen] / t->ratios[chosen];
        }
        wanted += t->drag_torques[chosen];
        if (on || wanted <= lookup(&t->electric_limit, inputs->wheel_speed * t->ratios[chosen],
                                   0.0F, 0.0F)) {
            break;
        }
        on = true;
    }
    if (on) {
        const float shaft = most(inputs->wheel_speed * t->ratios[chosen], *t->idle_speed);
        wanted = lookup(&t->motor_torque, shaft, wanted, charge);
    }
    command->engine_on = on;
    command->gear = chosen + 1;
    command->motor_torque = least(most(wanted, -FLT_MAX), FLT_MAX);
}

void ${name}_init(${name}_state *state, bool actual_engine_on, int actual_gear)
{
#ifdef ${guard}_CALIBRATION
    (void)${name}_calibrated;
#endif
    state->engine_time = LONG_AGO;
    state->gear_time = LONG_AGO;
    state->engine_on = actual_engine_on;
    state->gear = nearest_gear(actual_gear);
}

static void step(const tables *t, ${name}_state *state, const ${name}_inputs *inputs,
                 ${name}_command *command)
{
    const float dt = finite_number(inputs->dt) ? most(inputs->dt, 0.0F) : 0.0F;
    const bool engine_on = inputs->actual_engine_on;
    const int gear = nearest_gear(inputs->actual_gear);

    state->engine_time = least((state->engine_on == engine_on ? state->engine_time : 0.0F) + dt,
                               LONG_AGO);
    state->gear_time = least((state->gear == gear ? state->gear_time : 0.0F) + dt, LONG_AGO);
    state->engine_on = engine_on;
    state->gear = gear;
    decide(t, inputs, state->engine_time, state->gear_time, command);
    if (!finite_number(inputs->dt)) {
        command->engine_on = engine_on;
        command->gear = gear;
        command->motor_torque = 0.0F;
        command->fault = true;
    }
}

void ${name}_decide(const ${name}_inputs *inputs, float engine_time, float gear_time,
                    ${name}_command *command)
{
    decide(&kept_tables, inputs, engine_time, gear_time, command);
}

void ${name}_step(${name}_state *state, const ${name}_inputs *inputs, ${name}_command *command)
{
    step(&kept_tables, state, inputs, command);
}
