/*
${comment}
 *
 * The controller as a co-simulation unit of FMI 2.0. In each step: set the inputs, which
 * are those of the step that begins, call fmi2DoStep, get the outputs.
 */
#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "fmi2.h"
#include "${name}.h"

#define GUID "${guid}"

/* Value references count from 0; outputs begin at ENGINE_ON. */
${references}

typedef struct {
    ${name}_inputs inputs;
    ${name}_command command;
    ${name}_state state;
    bool begun;
    double time;
} unit;

static void restart(unit *of)
{
    memset(of, 0, sizeof *of);
${starts}
}

/* A figure too large for float32 becomes infinite, which the controller takes as a fault. */
static float narrowed(double x)
{
    if (x > FLT_MAX) {
        return HUGE_VALF;
    }
    return x < -FLT_MAX ? -HUGE_VALF : (float)x;
}

const char *fmi2GetTypesPlatform(void)
{
    return "default";
}

const char *fmi2GetVersion(void)
{
    return "2.0";
}

fmi2Status fmi2SetDebugLogging(fmi2Component c, fmi2Boolean on, size_t n,
                               const fmi2String categories[])
{
    (void)c, (void)on, (void)n, (void)categories;
    return fmi2OK;
}

fmi2Component fmi2Instantiate(fmi2String instance, fmi2Type type, fmi2String guid,
                              fmi2String resources, const fmi2CallbackFunctions *callbacks,
                              fmi2Boolean visible, fmi2Boolean logging)
{
    unit *of;

    (void)instance, (void)resources, (void)callbacks, (void)visible, (void)logging;
    if (type != fmi2CoSimulation || guid == NULL || strcmp(guid, GUID) != 0) {
        return NULL;
    }
    of = malloc(sizeof *of);
    if (of != NULL) {
        restart(of);
    }
    return of;
}

void fmi2FreeInstance(fmi2Component c)
{
    free(c);
}

fmi2Status fmi2SetupExperiment(fmi2Component c, fmi2Boolean with_tolerance, fmi2Real tolerance,
                               fmi2Real start, fmi2Boolean with_stop, fmi2Real stop)
{
    (void)with_tolerance, (void)tolerance, (void)with_stop, (void)stop;
    ((unit *)c)->time = start;
    return fmi2OK;
}

fmi2Status fmi2EnterInitializationMode(fmi2Component c)
{
    (void)c;
    return fmi2OK;
}

fmi2Status fmi2ExitInitializationMode(fmi2Component c)
{
    (void)c;
    return fmi2OK;
}

fmi2Status fmi2Terminate(fmi2Component c)
{
    (void)c;
    return fmi2OK;
}

fmi2Status fmi2Reset(fmi2Component c)
{
    restart(c);
    return fmi2OK;
}

fmi2Status fmi2DoStep(fmi2Component c, fmi2Real time, fmi2Real step, fmi2Boolean no_way_back)
{
    unit *of = c;

    (void)step, (void)no_way_back;
    if (!of->begun) {
        ${name}_init(&of->state, of->inputs.actual_engine_on, of->inputs.actual_gear);
        of->begun = true;
        of->time = time;
    }
    of->inputs.dt = narrowed(${dt});
    of->time = time;
    ${name}_step(&of->state, &of->inputs, &of->command);
    return of->command.fault ? fmi2Warning : fmi2OK;
}

fmi2Status fmi2CancelStep(fmi2Component c)
{
    (void)c;
    return fmi2Error;
}

static float *real(unit *of, fmi2ValueReference vr)
{
    switch (vr) {
${reals}
    default:
        return NULL;
    }
}

static bool *boolean(unit *of, fmi2ValueReference vr)
{
    switch (vr) {
${booleans}
    default:
        return NULL;
    }
}

static int *integer(unit *of, fmi2ValueReference vr)
{
    switch (vr) {
${integers}
    default:
        return NULL;
    }
}

fmi2Status fmi2GetReal(fmi2Component c, const fmi2ValueReference vr[], size_t n, fmi2Real value[])
{
    size_t i;

    for (i = 0; i < n; ++i) {
        const float *found = real(c, vr[i]);
        if (found == NULL) {
            return fmi2Error;
        }
        value[i] = *found;
    }
    return fmi2OK;
}

fmi2Status fmi2GetInteger(fmi2Component c, const fmi2ValueReference vr[], size_t n,
                          fmi2Integer value[])
{
    size_t i;

    for (i = 0; i < n; ++i) {
        const int *found = integer(c, vr[i]);
        if (found == NULL) {
            return fmi2Error;
        }
        value[i] = *found;
    }
    return fmi2OK;
}

fmi2Status fmi2GetBoolean(fmi2Component c, const fmi2ValueReference vr[], size_t n,
                          fmi2Boolean value[])
{
    size_t i;

    for (i = 0; i < n; ++i) {
        const bool *found = boolean(c, vr[i]);
        if (found == NULL) {
            return fmi2Error;
        }
        value[i] = *found ? fmi2True : fmi2False;
    }
    return fmi2OK;
}

fmi2Status fmi2SetReal(fmi2Component c, const fmi2ValueReference vr[], size_t n,
                       const fmi2Real value[])
{
    size_t i;

    for (i = 0; i < n; ++i) {
        float *found = real(c, vr[i]);
        if (found == NULL || vr[i] >= ENGINE_ON) {
            return fmi2Error;
        }
        *found = narrowed(value[i]);
    }
    return fmi2OK;
}

fmi2Status fmi2SetInteger(fmi2Component c, const fmi2ValueReference vr[], size_t n,
                          const fmi2Integer value[])
{
    size_t i;

    for (i = 0; i < n; ++i) {
        int *found = integer(c, vr[i]);
        if (found == NULL || vr[i] >= ENGINE_ON) {
            return fmi2Error;
        }
        *found = value[i];
    }
    return fmi2OK;
}

fmi2Status fmi2SetBoolean(fmi2Component c, const fmi2ValueReference vr[], size_t n,
                          const fmi2Boolean value[])
{
    size_t i;

    for (i = 0; i < n; ++i) {
        bool *found = boolean(c, vr[i]);
        if (found == NULL || vr[i] >= ENGINE_ON) {
            return fmi2Error;
        }
        *found = value[i] != fmi2False;
    }
    return fmi2OK;
}

/* There are no strings, saved states, derivatives or steps that take their time. */

fmi2Status fmi2GetString(fmi2Component c, const fmi2ValueReference vr[], size_t n,
                         fmi2String value[])
{
    (void)c, (void)vr, (void)value;
    return n == 0 ? fmi2OK : fmi2Error;
}

fmi2Status fmi2SetString(fmi2Component c, const fmi2ValueReference vr[], size_t n,
                         const fmi2String value[])
{
    (void)c, (void)vr, (void)value;
    return n == 0 ? fmi2OK : fmi2Error;
}

fmi2Status fmi2GetFMUstate(fmi2Component c, fmi2FMUstate *state)
{
    (void)c, (void)state;
    return fmi2Error;
}

fmi2Status fmi2SetFMUstate(fmi2Component c, fmi2FMUstate state)
{
    (void)c, (void)state;
    return fmi2Error;
}

fmi2Status fmi2FreeFMUstate(fmi2Component c, fmi2FMUstate *state)
{
    (void)c, (void)state;
    return fmi2Error;
}

fmi2Status fmi2SerializedFMUstateSize(fmi2Component c, fmi2FMUstate state, size_t *size)
{
    (void)c, (void)state, (void)size;
    return fmi2Error;
}

fmi2Status fmi2SerializeFMUstate(fmi2Component c, fmi2FMUstate state, fmi2Byte bytes[],
                                 size_t size)
{
    (void)c, (void)state, (void)bytes, (void)size;
    return fmi2Error;
}

fmi2Status fmi2DeSerializeFMUstate(fmi2Component c, const fmi2Byte bytes[], size_t size,
                                   fmi2FMUstate *state)
{
    (void)c, (void)bytes, (void)size, (void)state;
    return fmi2Error;
}

fmi2Status fmi2GetDirectionalDerivative(fmi2Component c, const fmi2ValueReference unknown[],
                                        size_t n_unknown, const fmi2ValueReference known[],
                                        size_t n_known, const fmi2Real of_known[],
                                        fmi2Real of_unknown[])
{
    (void)c, (void)unknown, (void)n_unknown, (void)known, (void)n_known, (void)of_known;
    (void)of_unknown;
    return fmi2Error;
}

fmi2Status fmi2SetRealInputDerivatives(fmi2Component c, const fmi2ValueReference vr[], size_t n,
                                       const fmi2Integer order[], const fmi2Real value[])
{
    (void)c, (void)vr, (void)n, (void)order, (void)value;
    return fmi2Error;
}

fmi2Status fmi2GetRealOutputDerivatives(fmi2Component c, const fmi2ValueReference vr[], size_t n,
                                        const fmi2Integer order[], fmi2Real value[])
{
    (void)c, (void)vr, (void)n, (void)order, (void)value;
    return fmi2Error;
}

fmi2Status fmi2GetStatus(fmi2Component c, const fmi2StatusKind kind, fmi2Status *value)
{
    (void)c, (void)kind, (void)value;
    return fmi2Discard;
}

fmi2Status fmi2GetRealStatus(fmi2Component c, const fmi2StatusKind kind, fmi2Real *value)
{
    (void)c, (void)kind, (void)value;
    return fmi2Discard;
}

fmi2Status fmi2GetIntegerStatus(fmi2Component c, const fmi2StatusKind kind, fmi2Integer *value)
{
    (void)c, (void)kind, (void)value;
    return fmi2Discard;
}

fmi2Status fmi2GetBooleanStatus(fmi2Component c, const fmi2StatusKind kind, fmi2Boolean *value)
{
    if (kind != fmi2Terminated) {
        return fmi2Discard;
    }
    (void)c;
    *value = fmi2False;
    return fmi2OK;
}

fmi2Status fmi2GetStringStatus(fmi2Component c, const fmi2StatusKind kind, fmi2String *value)
{
    (void)c, (void)kind, (void)value;
    return fmi2Discard;
}
