/*
${comment}
 *
 * The controller as a co-simulation unit of FMI 3.0. In each step: set the inputs, which
 * are those of the step that begins, call fmi3DoStep, get the outputs.
 */
#include "fmi3.h"
#include "unit.h"

/* Value references count variables from 0; the last one is time. */
#define TIME ${time}U

/* First element of each variable, and the end of the last one. */
static const unsigned first[] = {
${firsts}
};

const char *fmi3GetVersion(void)
{
    return "3.0";
}

fmi3Status fmi3SetDebugLogging(fmi3Instance c, fmi3Boolean on, size_t n,
                               const fmi3String categories[])
{
    (void)c, (void)on, (void)n, (void)categories;
    return fmi3OK;
}

fmi3Instance fmi3InstantiateModelExchange(fmi3String name, fmi3String token, fmi3String resources,
                                          fmi3Boolean visible, fmi3Boolean logging,
                                          fmi3InstanceEnvironment environment,
                                          fmi3LogMessageCallback log)
{
    (void)name, (void)token, (void)resources, (void)visible, (void)logging, (void)environment;
    (void)log;
    return NULL;
}

fmi3Instance fmi3InstantiateCoSimulation(fmi3String name, fmi3String token, fmi3String resources,
                                         fmi3Boolean visible, fmi3Boolean logging,
                                         fmi3Boolean events, fmi3Boolean early,
                                         const fmi3ValueReference required[], size_t n,
                                         fmi3InstanceEnvironment environment,
                                         fmi3LogMessageCallback log,
                                         fmi3IntermediateUpdateCallback update)
{
    (void)name, (void)resources, (void)visible, (void)logging, (void)events, (void)early;
    (void)required, (void)n, (void)environment, (void)log, (void)update;
    return instance(token);
}

fmi3Instance fmi3InstantiateScheduledExecution(
    fmi3String name, fmi3String token, fmi3String resources, fmi3Boolean visible,
    fmi3Boolean logging, fmi3InstanceEnvironment environment, fmi3LogMessageCallback log,
    fmi3ClockUpdateCallback update, fmi3LockPreemptionCallback lock,
    fmi3UnlockPreemptionCallback unlock)
{
    (void)name, (void)token, (void)resources, (void)visible, (void)logging, (void)environment;
    (void)log, (void)update, (void)lock, (void)unlock;
    return NULL;
}

void fmi3FreeInstance(fmi3Instance c)
{
    free(c);
}

fmi3Status fmi3EnterInitializationMode(fmi3Instance c, fmi3Boolean with_tolerance,
                                       fmi3Float64 tolerance, fmi3Float64 start,
                                       fmi3Boolean with_stop, fmi3Float64 stop)
{
    unit *of = c;

    (void)with_tolerance, (void)tolerance, (void)with_stop, (void)stop;
    of->now.time = start;
    of->now.phase = INITIALIZING;
    return fmi3OK;
}

fmi3Status fmi3ExitInitializationMode(fmi3Instance c)
{
    return ready(c) ? fmi3OK : fmi3Error;
}

fmi3Status fmi3Terminate(fmi3Instance c)
{
    (void)c;
    return fmi3OK;
}

fmi3Status fmi3Reset(fmi3Instance c)
{
    restart(c);
    return fmi3OK;
}

fmi3Status fmi3DoStep(fmi3Instance c, fmi3Float64 time, fmi3Float64 length,
                      fmi3Boolean no_way_back, fmi3Boolean *event, fmi3Boolean *end,
                      fmi3Boolean *early, fmi3Float64 *reached)
{
    unit *of = c;

    (void)no_way_back;
    *event = false;
    *end = false;
    *early = false;
    *reached = time;
    if (!do_step(of, time, length)) {
        return fmi3Error;
    }
    *reached = time + length;
    return of->now.command.fault ? fmi3Warning : fmi3OK;
}

fmi3Status fmi3GetFloat64(fmi3Instance c, const fmi3ValueReference vr[], size_t n,
                          fmi3Float64 value[], size_t m)
{
    const unit *of = c;
    size_t i, k = 0;
    unsigned at;

    for (i = 0; i < n; ++i) {
        if (vr[i] == TIME && k < m) {
            value[k++] = of->now.time;
            continue;
        }
        if (vr[i] >= TIME) {
            return fmi3Error;
        }
        for (at = first[vr[i]]; at < first[vr[i] + 1]; ++at, ++k) {
            if (k >= m || !get_real(c, at, &value[k])) {
                return fmi3Error;
            }
        }
    }
    return k == m ? fmi3OK : fmi3Error;
}

fmi3Status fmi3SetFloat64(fmi3Instance c, const fmi3ValueReference vr[], size_t n,
                          const fmi3Float64 value[], size_t m)
{
    size_t i, k = 0;
    unsigned at;

    for (i = 0; i < n; ++i) {
        if (vr[i] >= TIME) {
            return fmi3Error;
        }
        for (at = first[vr[i]]; at < first[vr[i] + 1]; ++at, ++k) {
            if (k >= m || !set_real(c, at, value[k])) {
                return fmi3Error;
            }
        }
    }
    return k == m ? fmi3OK : fmi3Error;
}

/* Variables of one element: from value reference to a place, for reading and for writing. */
#define ONE_BY_ONE(Type, find)                                                                   \
    fmi3Status fmi3Get##Type(fmi3Instance c, const fmi3ValueReference vr[], size_t n,            \
                             fmi3##Type value[], size_t m)                                       \
    {                                                                                            \
        size_t i;                                                                                \
                                                                                                 \
        for (i = 0; i < n; ++i) {                                                                \
            if (n != m || vr[i] >= TIME || find(c, first[vr[i]]) == NULL) {                      \
                return fmi3Error;                                                                \
            }                                                                                    \
            value[i] = *find(c, first[vr[i]]);                                                   \
        }                                                                                        \
        return fmi3OK;                                                                           \
    }                                                                                            \
                                                                                                 \
    fmi3Status fmi3Set##Type(fmi3Instance c, const fmi3ValueReference vr[], size_t n,            \
                             const fmi3##Type value[], size_t m)                                 \
    {                                                                                            \
        size_t i;                                                                                \
                                                                                                 \
        for (i = 0; i < n; ++i) {                                                                \
            if (n != m || vr[i] >= TIME || first[vr[i]] >= OUTPUTS                               \
                || find(c, first[vr[i]]) == NULL) {                                              \
                return fmi3Error;                                                                \
            }                                                                                    \
            *find(c, first[vr[i]]) = value[i];                                                   \
        }                                                                                        \
        return fmi3OK;                                                                           \
    }

ONE_BY_ONE(Boolean, boolean)
ONE_BY_ONE(Int32, integer)

fmi3Status fmi3GetFMUState(fmi3Instance c, fmi3FMUState *state)
{
    return save(c, state) ? fmi3OK : fmi3Error;
}

fmi3Status fmi3SetFMUState(fmi3Instance c, fmi3FMUState state)
{
    return restore(&((unit *)c)->now, state, sizeof(content)) ? fmi3OK : fmi3Error;
}

fmi3Status fmi3FreeFMUState(fmi3Instance c, fmi3FMUState *state)
{
    (void)c;
    if (state != NULL) {
        free(*state);
        *state = NULL;
    }
    return fmi3OK;
}

fmi3Status fmi3SerializedFMUStateSize(fmi3Instance c, fmi3FMUState state, size_t *size)
{
    (void)c, (void)state;
    *size = sizeof(content);
    return fmi3OK;
}

fmi3Status fmi3SerializeFMUState(fmi3Instance c, fmi3FMUState state, fmi3Byte bytes[], size_t size)
{
    (void)c;
    if (state == NULL || size < sizeof(content)) {
        return fmi3Error;
    }
    memcpy(bytes, state, sizeof(content));
    return fmi3OK;
}

fmi3Status fmi3DeserializeFMUState(fmi3Instance c, const fmi3Byte bytes[], size_t size,
                                   fmi3FMUState *state)
{
    unit *read = malloc(sizeof *read);
    fmi3Status done = fmi3Error;

    (void)c;
    *state = NULL;
    if (read != NULL && restore(&read->now, bytes, size) && save(read, state)) {
        done = fmi3OK;
    }
    free(read);
    return done;
}

/* There are no variables of other types, events, clocks, derivatives or changes of size. */

#define NONE_OF(Type)                                                                            \
    fmi3Status fmi3Get##Type(fmi3Instance c, const fmi3ValueReference vr[], size_t n,            \
                             fmi3##Type value[], size_t m)                                       \
    {                                                                                            \
        (void)c, (void)vr, (void)value, (void)m;                                                 \
        return n == 0 ? fmi3OK : fmi3Error;                                                      \
    }                                                                                            \
                                                                                                 \
    fmi3Status fmi3Set##Type(fmi3Instance c, const fmi3ValueReference vr[], size_t n,            \
                             const fmi3##Type value[], size_t m)                                 \
    {                                                                                            \
        (void)c, (void)vr, (void)value, (void)m;                                                 \
        return n == 0 ? fmi3OK : fmi3Error;                                                      \
    }

NONE_OF(Float32)
NONE_OF(Int8)
NONE_OF(UInt8)
NONE_OF(Int16)
NONE_OF(UInt16)
NONE_OF(UInt32)
NONE_OF(Int64)
NONE_OF(UInt64)
NONE_OF(String)

fmi3Status fmi3GetBinary(fmi3Instance c, const fmi3ValueReference vr[], size_t n, size_t sizes[],
                         fmi3Binary value[], size_t m)
{
    (void)c, (void)vr, (void)sizes, (void)value, (void)m;
    return n == 0 ? fmi3OK : fmi3Error;
}

fmi3Status fmi3SetBinary(fmi3Instance c, const fmi3ValueReference vr[], size_t n,
                         const size_t sizes[], const fmi3Binary value[], size_t m)
{
    (void)c, (void)vr, (void)sizes, (void)value, (void)m;
    return n == 0 ? fmi3OK : fmi3Error;
}

fmi3Status fmi3GetClock(fmi3Instance c, const fmi3ValueReference vr[], size_t n, fmi3Clock value[])
{
    (void)c, (void)vr, (void)value;
    return n == 0 ? fmi3OK : fmi3Error;
}

fmi3Status fmi3SetClock(fmi3Instance c, const fmi3ValueReference vr[], size_t n,
                        const fmi3Clock value[])
{
    (void)c, (void)vr, (void)value;
    return n == 0 ? fmi3OK : fmi3Error;
}

fmi3Status fmi3EnterEventMode(fmi3Instance c)
{
    (void)c;
    return fmi3Error;
}

fmi3Status fmi3EnterConfigurationMode(fmi3Instance c)
{
    (void)c;
    return fmi3Error;
}

fmi3Status fmi3ExitConfigurationMode(fmi3Instance c)
{
    (void)c;
    return fmi3Error;
}

fmi3Status fmi3EvaluateDiscreteStates(fmi3Instance c)
{
    (void)c;
    return fmi3Error;
}

fmi3Status fmi3EnterStepMode(fmi3Instance c)
{
    (void)c;
    return fmi3Error;
}

fmi3Status fmi3UpdateDiscreteStates(fmi3Instance c, fmi3Boolean *update, fmi3Boolean *end,
                                    fmi3Boolean *nominals, fmi3Boolean *values,
                                    fmi3Boolean *defined, fmi3Float64 *time)
{
    (void)c, (void)update, (void)end, (void)nominals, (void)values, (void)defined, (void)time;
    return fmi3Error;
}

fmi3Status fmi3GetNumberOfVariableDependencies(fmi3Instance c, fmi3ValueReference vr, size_t *n)
{
    (void)c, (void)vr, (void)n;
    return fmi3Error;
}

fmi3Status fmi3GetVariableDependencies(fmi3Instance c, fmi3ValueReference dependent,
                                       size_t element[], fmi3ValueReference independents[],
                                       size_t elements[], fmi3DependencyKind kinds[], size_t n)
{
    (void)c, (void)dependent, (void)element, (void)independents, (void)elements, (void)kinds;
    (void)n;
    return fmi3Error;
}

fmi3Status fmi3GetDirectionalDerivative(fmi3Instance c, const fmi3ValueReference unknowns[],
                                        size_t n_unknowns, const fmi3ValueReference knowns[],
                                        size_t n_knowns, const fmi3Float64 seed[], size_t n_seed,
                                        fmi3Float64 sensitivity[], size_t n_sensitivity)
{
    (void)c, (void)unknowns, (void)n_unknowns, (void)knowns, (void)n_knowns, (void)seed;
    (void)n_seed, (void)sensitivity, (void)n_sensitivity;
    return fmi3Error;
}

fmi3Status fmi3GetAdjointDerivative(fmi3Instance c, const fmi3ValueReference unknowns[],
                                    size_t n_unknowns, const fmi3ValueReference knowns[],
                                    size_t n_knowns, const fmi3Float64 seed[], size_t n_seed,
                                    fmi3Float64 sensitivity[], size_t n_sensitivity)
{
    (void)c, (void)unknowns, (void)n_unknowns, (void)knowns, (void)n_knowns, (void)seed;
    (void)n_seed, (void)sensitivity, (void)n_sensitivity;
    return fmi3Error;
}

fmi3Status fmi3GetOutputDerivatives(fmi3Instance c, const fmi3ValueReference vr[], size_t n,
                                    const fmi3Int32 orders[], fmi3Float64 value[], size_t m)
{
    (void)c, (void)vr, (void)n, (void)orders, (void)value, (void)m;
    return fmi3Error;
}

fmi3Status fmi3GetIntervalDecimal(fmi3Instance c, const fmi3ValueReference vr[], size_t n,
                                   fmi3Float64 a[], fmi3IntervalQualifier b[])
{
    (void)c, (void)vr, (void)a, (void)b;
    return n == 0 ? fmi3OK : fmi3Error;
}

fmi3Status fmi3GetIntervalFraction(fmi3Instance c, const fmi3ValueReference vr[], size_t n,
                                   fmi3UInt64 a[], fmi3UInt64 b[], fmi3IntervalQualifier d[])
{
    (void)c, (void)vr, (void)a, (void)b, (void)d;
    return n == 0 ? fmi3OK : fmi3Error;
}

fmi3Status fmi3GetShiftDecimal(fmi3Instance c, const fmi3ValueReference vr[], size_t n,
                                   fmi3Float64 a[])
{
    (void)c, (void)vr, (void)a;
    return n == 0 ? fmi3OK : fmi3Error;
}

fmi3Status fmi3GetShiftFraction(fmi3Instance c, const fmi3ValueReference vr[], size_t n,
                                   fmi3UInt64 a[], fmi3UInt64 b[])
{
    (void)c, (void)vr, (void)a, (void)b;
    return n == 0 ? fmi3OK : fmi3Error;
}

fmi3Status fmi3SetIntervalDecimal(fmi3Instance c, const fmi3ValueReference vr[], size_t n,
                                   const fmi3Float64 a[])
{
    (void)c, (void)vr, (void)a;
    return n == 0 ? fmi3OK : fmi3Error;
}

fmi3Status fmi3SetIntervalFraction(fmi3Instance c, const fmi3ValueReference vr[], size_t n,
                                   const fmi3UInt64 a[], const fmi3UInt64 b[])
{
    (void)c, (void)vr, (void)a, (void)b;
    return n == 0 ? fmi3OK : fmi3Error;
}

fmi3Status fmi3SetShiftDecimal(fmi3Instance c, const fmi3ValueReference vr[], size_t n,
                                   const fmi3Float64 a[])
{
    (void)c, (void)vr, (void)a;
    return n == 0 ? fmi3OK : fmi3Error;
}

fmi3Status fmi3SetShiftFraction(fmi3Instance c, const fmi3ValueReference vr[], size_t n,
                                   const fmi3UInt64 a[], const fmi3UInt64 b[])
{
    (void)c, (void)vr, (void)a, (void)b;
    return n == 0 ? fmi3OK : fmi3Error;
}

/* What model exchange and scheduled execution would take; the unit is for co-simulation alone. */

fmi3Status fmi3EnterContinuousTimeMode(fmi3Instance c)
{
    (void)c;
    return fmi3Error;
}

fmi3Status fmi3CompletedIntegratorStep(fmi3Instance c, fmi3Boolean no_way_back,
                                       fmi3Boolean *event, fmi3Boolean *end)
{
    (void)c, (void)no_way_back, (void)event, (void)end;
    return fmi3Error;
}

fmi3Status fmi3SetTime(fmi3Instance c, fmi3Float64 time)
{
    (void)c, (void)time;
    return fmi3Error;
}

fmi3Status fmi3SetContinuousStates(fmi3Instance c, const fmi3Float64 value[], size_t n)
{
    (void)c, (void)value, (void)n;
    return fmi3Error;
}

fmi3Status fmi3GetContinuousStateDerivatives(fmi3Instance c, fmi3Float64 value[], size_t n)
{
    (void)c, (void)value, (void)n;
    return fmi3Error;
}

fmi3Status fmi3GetEventIndicators(fmi3Instance c, fmi3Float64 value[], size_t n)
{
    (void)c, (void)value, (void)n;
    return fmi3Error;
}

fmi3Status fmi3GetContinuousStates(fmi3Instance c, fmi3Float64 value[], size_t n)
{
    (void)c, (void)value, (void)n;
    return fmi3Error;
}

fmi3Status fmi3GetNominalsOfContinuousStates(fmi3Instance c, fmi3Float64 value[], size_t n)
{
    (void)c, (void)value, (void)n;
    return fmi3Error;
}

fmi3Status fmi3GetNumberOfEventIndicators(fmi3Instance c, size_t *n)
{
    (void)c, (void)n;
    return fmi3Error;
}

fmi3Status fmi3GetNumberOfContinuousStates(fmi3Instance c, size_t *n)
{
    (void)c, (void)n;
    return fmi3Error;
}

fmi3Status fmi3ActivateModelPartition(fmi3Instance c, fmi3ValueReference clock, fmi3Float64 time)
{
    (void)c, (void)clock, (void)time;
    return fmi3Error;
}
