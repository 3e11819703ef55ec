/*
${comment}
 *
 * The controller as a co-simulation unit of FMI 2.0. In each step: set the inputs, which
 * are those of the step that begins, call fmi2DoStep, get the outputs.
 */
#include "fmi2.h"
#include "unit.h"

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

fmi2Component fmi2Instantiate(fmi2String name, fmi2Type type, fmi2String guid,
                              fmi2String resources, const fmi2CallbackFunctions *callbacks,
                              fmi2Boolean visible, fmi2Boolean logging)
{
    (void)resources, (void)callbacks, (void)visible, (void)logging, (void)name;
    return type == fmi2CoSimulation ? instance(guid) : NULL;
}

void fmi2FreeInstance(fmi2Component c)
{
    free(c);
}

fmi2Status fmi2SetupExperiment(fmi2Component c, fmi2Boolean with_tolerance, fmi2Real tolerance,
                               fmi2Real start, fmi2Boolean with_stop, fmi2Real stop)
{
    (void)with_tolerance, (void)tolerance, (void)with_stop, (void)stop;
    ((unit *)c)->now.time = start;
    return fmi2OK;
}

fmi2Status fmi2EnterInitializationMode(fmi2Component c)
{
    ((unit *)c)->now.phase = INITIALIZING;
    return fmi2OK;
}

fmi2Status fmi2ExitInitializationMode(fmi2Component c)
{
    return ready(c) ? fmi2OK : fmi2Error;
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

fmi2Status fmi2DoStep(fmi2Component c, fmi2Real time, fmi2Real length, fmi2Boolean no_way_back)
{
    unit *of = c;

    (void)no_way_back;
    if (!do_step(of, time, length)) {
        return fmi2Error;
    }
    return of->now.command.fault ? fmi2Warning : fmi2OK;
}

fmi2Status fmi2CancelStep(fmi2Component c)
{
    (void)c;
    return fmi2Error;
}

fmi2Status fmi2GetReal(fmi2Component c, const fmi2ValueReference vr[], size_t n, fmi2Real value[])
{
    size_t i;

    for (i = 0; i < n; ++i) {
        if (!get_real(c, vr[i], &value[i])) {
            return fmi2Error;
        }
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
        if (!set_real(c, vr[i], value[i])) {
            return fmi2Error;
        }
    }
    return fmi2OK;
}

fmi2Status fmi2SetInteger(fmi2Component c, const fmi2ValueReference vr[], size_t n,
                          const fmi2Integer value[])
{
    size_t i;

    for (i = 0; i < n; ++i) {
        int *found = integer(c, vr[i]);
        if (found == NULL || vr[i] >= OUTPUTS) {
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
        if (found == NULL || vr[i] >= OUTPUTS) {
            return fmi2Error;
        }
        *found = value[i] != fmi2False;
    }
    return fmi2OK;
}

fmi2Status fmi2GetFMUstate(fmi2Component c, fmi2FMUstate *state)
{
    return save(c, state) ? fmi2OK : fmi2Error;
}

fmi2Status fmi2SetFMUstate(fmi2Component c, fmi2FMUstate state)
{
    return restore(&((unit *)c)->now, state, sizeof(content)) ? fmi2OK : fmi2Error;
}

fmi2Status fmi2FreeFMUstate(fmi2Component c, fmi2FMUstate *state)
{
    (void)c;
    if (state != NULL) {
        free(*state);
        *state = NULL;
    }
    return fmi2OK;
}

fmi2Status fmi2SerializedFMUstateSize(fmi2Component c, fmi2FMUstate state, size_t *size)
{
    (void)c, (void)state;
    *size = sizeof(content);
    return fmi2OK;
}

fmi2Status fmi2SerializeFMUstate(fmi2Component c, fmi2FMUstate state, fmi2Byte bytes[],
                                 size_t size)
{
    (void)c;
    if (state == NULL || size < sizeof(content)) {
        return fmi2Error;
    }
    memcpy(bytes, state, sizeof(content));
    return fmi2OK;
}

fmi2Status fmi2DeSerializeFMUstate(fmi2Component c, const fmi2Byte bytes[], size_t size,
                                   fmi2FMUstate *state)
{
    unit *read = malloc(sizeof *read);
    fmi2Status done = fmi2Error;

    (void)c;
    *state = NULL;
    if (read != NULL && restore(&read->now, bytes, size) && save(read, state)) {
        done = fmi2OK;
    }
    free(read);
    return done;
}

/* There are no strings, derivatives or steps that take their time. */

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

/* What model exchange would take; the unit is for co-simulation alone. */

fmi2Status fmi2EnterEventMode(fmi2Component c)
{
    (void)c;
    return fmi2Error;
}

fmi2Status fmi2NewDiscreteStates(fmi2Component c, fmi2EventInfo *info)
{
    (void)c, (void)info;
    return fmi2Error;
}

fmi2Status fmi2EnterContinuousTimeMode(fmi2Component c)
{
    (void)c;
    return fmi2Error;
}

fmi2Status fmi2CompletedIntegratorStep(fmi2Component c, fmi2Boolean no_way_back,
                                       fmi2Boolean *event, fmi2Boolean *end)
{
    (void)c, (void)no_way_back, (void)event, (void)end;
    return fmi2Error;
}

fmi2Status fmi2SetTime(fmi2Component c, fmi2Real time)
{
    (void)c, (void)time;
    return fmi2Error;
}

fmi2Status fmi2SetContinuousStates(fmi2Component c, const fmi2Real value[], size_t n)
{
    (void)c, (void)value, (void)n;
    return fmi2Error;
}

fmi2Status fmi2GetDerivatives(fmi2Component c, fmi2Real value[], size_t n)
{
    (void)c, (void)value, (void)n;
    return fmi2Error;
}

fmi2Status fmi2GetEventIndicators(fmi2Component c, fmi2Real value[], size_t n)
{
    (void)c, (void)value, (void)n;
    return fmi2Error;
}

fmi2Status fmi2GetContinuousStates(fmi2Component c, fmi2Real value[], size_t n)
{
    (void)c, (void)value, (void)n;
    return fmi2Error;
}

fmi2Status fmi2GetNominalsOfContinuousStates(fmi2Component c, fmi2Real value[], size_t n)
{
    (void)c, (void)value, (void)n;
    return fmi2Error;
}
