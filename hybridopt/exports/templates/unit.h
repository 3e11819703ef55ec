/*
${comment}
 *
 * What the layers of the co-simulation unit share, whatever the version of the standard. Values
 * of variables are elements that count from 0: inputs, then outputs from OUTPUTS on, then those
 * of parameters from PARAMETERS on. Parameters are the tables of this instance.
 */
#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "${name}.c"

#define IDENTITY "${guid}"
#define OUTPUTS ${outputs}U
#define PARAMETERS ${parameters}U
#define VALUES ${values}U

enum { INSTANTIATED, INITIALIZING, STEPPING };

/* All that an instance knows; a state that is saved is a copy of it. */
typedef struct {
    char identity[sizeof IDENTITY];
    ${name}_inputs inputs;
    ${name}_command command;
    ${name}_state state;
    double time;
    int phase;
    bool begun;
    float values[VALUES];
} content;

typedef struct {
    content now;
    tables at; /* where the values lie: in `now` */
} unit;

typedef struct {
    unsigned begin; /* among the values */
    unsigned size;
    float low;
    float high;
    bool axis; /* whether its points must increase, and stay from the first step on */
} parameter;

static const parameter parameters[] = {
${table}
};

static void restart(unit *of)
{
    float *to = of->now.values;

    memset(&of->now, 0, sizeof of->now);
    memcpy(of->now.identity, IDENTITY, sizeof IDENTITY);
${starts}
${copies}
    of->at = kept_tables;
${places}
}

static unit *instance(const char *identity)
{
    unit *of;

    if (identity == NULL || strcmp(identity, IDENTITY) != 0) {
        return NULL;
    }
    of = malloc(sizeof *of);
    if (of != NULL) {
        restart(of);
    }
    return of;
}

/* A figure too large for float32 becomes infinite, which the controller takes as a fault. */
static float narrowed(double x)
{
    const double largest = (double)FLT_MAX;

    if (x > largest) {
        return HUGE_VALF;
    }
    return x < -largest ? -HUGE_VALF : (float)x;
}

static float *real(unit *of, unsigned at)
{
${reals}
    return NULL;
}

static bool *boolean(unit *of, unsigned at)
{
${booleans}
    return NULL;
}

static int *integer(unit *of, unsigned at)
{
${integers}
    return NULL;
}

static bool set_parameter(unit *of, unsigned at, float x)
{
    const parameter *found = parameters;

    if (at >= VALUES) {
        return false;
    }
    while (at - found->begin >= found->size) {
        ++found;
    }
    if (!(x >= found->low && x <= found->high) || (found->axis && of->now.phase == STEPPING)) {
        return false;
    }
    of->now.values[at] = x;
    return true;
}

static bool set_real(unit *of, unsigned at, double x)
{
    float *found;

    if (at >= PARAMETERS) {
        return set_parameter(of, at - PARAMETERS, narrowed(x));
    }
    found = real(of, at);
    if (found == NULL || at >= OUTPUTS) {
        return false;
    }
    *found = narrowed(x);
    return true;
}

static bool get_real(unit *of, unsigned at, double *x)
{
    const float *found = at < PARAMETERS ? real(of, at) : NULL;

    if (at >= PARAMETERS && at - PARAMETERS < VALUES) {
        found = &of->now.values[at - PARAMETERS];
    }
    if (found == NULL) {
        return false;
    }
    *x = *found;
    return true;
}

/* From here on steps are done; axes of tables must increase. */
static bool ready(unit *of)
{
    size_t i;
    unsigned k;

    for (i = 0; i < sizeof parameters / sizeof parameters[0]; ++i) {
        const float *points = &of->now.values[parameters[i].begin];
        for (k = 1; parameters[i].axis && k < parameters[i].size; ++k) {
            if (!(points[k] > points[k - 1])) {
                return false;
            }
        }
    }
    of->now.phase = STEPPING;
    return true;
}

/* Do a step; returns whether the unit can. */
static bool do_step(unit *of, double time, double length)
{
    (void)length;
    if (!of->now.begun) {
        if (!ready(of)) {
            return false;
        }
        ${name}_init(&of->now.state, of->now.inputs.actual_engine_on,
                     of->now.inputs.actual_gear);
        of->now.begun = true;
        of->now.time = time;
    }
    of->now.inputs.dt = narrowed(${dt});
    of->now.time = time;
    step(&of->at, &of->now.state, &of->now.inputs, &of->now.command);
    return true;
}

/* Save the content in memory that is there, or in new memory. */
static bool save(const unit *of, void **state)
{
    if (*state == NULL) {
        *state = malloc(sizeof of->now);
    }
    if (*state == NULL) {
        return false;
    }
    memcpy(*state, &of->now, sizeof of->now);
    return true;
}

/* Take a saved content over, if it is one of these tables. */
static bool restore(content *to, const void *from, size_t size)
{
    if (from == NULL || size != sizeof *to || memcmp(from, IDENTITY, sizeof IDENTITY) != 0) {
        return false;
    }
    memcpy(to, from, sizeof *to);
    return true;
}
