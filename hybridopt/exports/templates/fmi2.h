/*
 * What a co-simulation unit needs of the Functional Mock-up Interface 2.0, an open standard of
 * the Modelica Association (fmi-standard.org): types and the functions it must export.
 */
#ifndef FMI2_H
#define FMI2_H

#include <stddef.h>

#if defined _WIN32
#define FMI2_EXPORT __declspec(dllexport)
#elif defined __GNUC__
#define FMI2_EXPORT __attribute__((visibility("default")))
#else
#define FMI2_EXPORT
#endif

typedef void *fmi2Component;
typedef void *fmi2ComponentEnvironment;
typedef void *fmi2FMUstate;
typedef unsigned int fmi2ValueReference;
typedef double fmi2Real;
typedef int fmi2Integer;
typedef int fmi2Boolean;
typedef char fmi2Char;
typedef const fmi2Char *fmi2String;
typedef char fmi2Byte;

#define fmi2True 1
#define fmi2False 0

typedef enum { fmi2OK, fmi2Warning, fmi2Discard, fmi2Error, fmi2Fatal, fmi2Pending } fmi2Status;
typedef enum { fmi2ModelExchange, fmi2CoSimulation } fmi2Type;
typedef enum {
    fmi2DoStepStatus, fmi2PendingStatus, fmi2LastSuccessfulTime, fmi2Terminated
} fmi2StatusKind;

typedef struct {
    fmi2Boolean newDiscreteStatesNeeded;
    fmi2Boolean terminateSimulation;
    fmi2Boolean nominalsOfContinuousStatesChanged;
    fmi2Boolean valuesOfContinuousStatesChanged;
    fmi2Boolean nextEventTimeDefined;
    fmi2Real nextEventTime;
} fmi2EventInfo;

typedef void (*fmi2CallbackLogger)(fmi2ComponentEnvironment, fmi2String, fmi2Status, fmi2String,
                                   fmi2String, ...);
typedef void *(*fmi2CallbackAllocateMemory)(size_t, size_t);
typedef void (*fmi2CallbackFreeMemory)(void *);
typedef void (*fmi2StepFinished)(fmi2ComponentEnvironment, fmi2Status);

typedef struct {
    fmi2CallbackLogger logger;
    fmi2CallbackAllocateMemory allocateMemory;
    fmi2CallbackFreeMemory freeMemory;
    fmi2StepFinished stepFinished;
    fmi2ComponentEnvironment componentEnvironment;
} fmi2CallbackFunctions;

FMI2_EXPORT const char *fmi2GetTypesPlatform(void);
FMI2_EXPORT const char *fmi2GetVersion(void);
FMI2_EXPORT fmi2Status fmi2SetDebugLogging(fmi2Component, fmi2Boolean, size_t,
                                           const fmi2String[]);

FMI2_EXPORT fmi2Component fmi2Instantiate(fmi2String, fmi2Type, fmi2String, fmi2String,
                                          const fmi2CallbackFunctions *, fmi2Boolean,
                                          fmi2Boolean);
FMI2_EXPORT void fmi2FreeInstance(fmi2Component);
FMI2_EXPORT fmi2Status fmi2SetupExperiment(fmi2Component, fmi2Boolean, fmi2Real, fmi2Real,
                                           fmi2Boolean, fmi2Real);
FMI2_EXPORT fmi2Status fmi2EnterInitializationMode(fmi2Component);
FMI2_EXPORT fmi2Status fmi2ExitInitializationMode(fmi2Component);
FMI2_EXPORT fmi2Status fmi2Terminate(fmi2Component);
FMI2_EXPORT fmi2Status fmi2Reset(fmi2Component);

FMI2_EXPORT fmi2Status fmi2GetReal(fmi2Component, const fmi2ValueReference[], size_t,
                                   fmi2Real[]);
FMI2_EXPORT fmi2Status fmi2GetInteger(fmi2Component, const fmi2ValueReference[], size_t,
                                      fmi2Integer[]);
FMI2_EXPORT fmi2Status fmi2GetBoolean(fmi2Component, const fmi2ValueReference[], size_t,
                                      fmi2Boolean[]);
FMI2_EXPORT fmi2Status fmi2GetString(fmi2Component, const fmi2ValueReference[], size_t,
                                     fmi2String[]);
FMI2_EXPORT fmi2Status fmi2SetReal(fmi2Component, const fmi2ValueReference[], size_t,
                                   const fmi2Real[]);
FMI2_EXPORT fmi2Status fmi2SetInteger(fmi2Component, const fmi2ValueReference[], size_t,
                                      const fmi2Integer[]);
FMI2_EXPORT fmi2Status fmi2SetBoolean(fmi2Component, const fmi2ValueReference[], size_t,
                                      const fmi2Boolean[]);
FMI2_EXPORT fmi2Status fmi2SetString(fmi2Component, const fmi2ValueReference[], size_t,
                                     const fmi2String[]);

FMI2_EXPORT fmi2Status fmi2GetFMUstate(fmi2Component, fmi2FMUstate *);
FMI2_EXPORT fmi2Status fmi2SetFMUstate(fmi2Component, fmi2FMUstate);
FMI2_EXPORT fmi2Status fmi2FreeFMUstate(fmi2Component, fmi2FMUstate *);
FMI2_EXPORT fmi2Status fmi2SerializedFMUstateSize(fmi2Component, fmi2FMUstate, size_t *);
FMI2_EXPORT fmi2Status fmi2SerializeFMUstate(fmi2Component, fmi2FMUstate, fmi2Byte[], size_t);
FMI2_EXPORT fmi2Status fmi2DeSerializeFMUstate(fmi2Component, const fmi2Byte[], size_t,
                                               fmi2FMUstate *);
FMI2_EXPORT fmi2Status fmi2GetDirectionalDerivative(fmi2Component, const fmi2ValueReference[],
                                                    size_t, const fmi2ValueReference[], size_t,
                                                    const fmi2Real[], fmi2Real[]);

FMI2_EXPORT fmi2Status fmi2SetRealInputDerivatives(fmi2Component, const fmi2ValueReference[],
                                                   size_t, const fmi2Integer[],
                                                   const fmi2Real[]);
FMI2_EXPORT fmi2Status fmi2GetRealOutputDerivatives(fmi2Component, const fmi2ValueReference[],
                                                    size_t, const fmi2Integer[], fmi2Real[]);
FMI2_EXPORT fmi2Status fmi2DoStep(fmi2Component, fmi2Real, fmi2Real, fmi2Boolean);
FMI2_EXPORT fmi2Status fmi2CancelStep(fmi2Component);
FMI2_EXPORT fmi2Status fmi2GetStatus(fmi2Component, const fmi2StatusKind, fmi2Status *);
FMI2_EXPORT fmi2Status fmi2GetRealStatus(fmi2Component, const fmi2StatusKind, fmi2Real *);
FMI2_EXPORT fmi2Status fmi2GetIntegerStatus(fmi2Component, const fmi2StatusKind, fmi2Integer *);
FMI2_EXPORT fmi2Status fmi2GetBooleanStatus(fmi2Component, const fmi2StatusKind, fmi2Boolean *);
FMI2_EXPORT fmi2Status fmi2GetStringStatus(fmi2Component, const fmi2StatusKind, fmi2String *);

/* Of model exchange; some importers look for them in any unit. */
FMI2_EXPORT fmi2Status fmi2EnterEventMode(fmi2Component);
FMI2_EXPORT fmi2Status fmi2NewDiscreteStates(fmi2Component, fmi2EventInfo *);
FMI2_EXPORT fmi2Status fmi2EnterContinuousTimeMode(fmi2Component);
FMI2_EXPORT fmi2Status fmi2CompletedIntegratorStep(fmi2Component, fmi2Boolean, fmi2Boolean *,
                                                   fmi2Boolean *);
FMI2_EXPORT fmi2Status fmi2SetTime(fmi2Component, fmi2Real);
FMI2_EXPORT fmi2Status fmi2SetContinuousStates(fmi2Component, const fmi2Real[], size_t);
FMI2_EXPORT fmi2Status fmi2GetDerivatives(fmi2Component, fmi2Real[], size_t);
FMI2_EXPORT fmi2Status fmi2GetEventIndicators(fmi2Component, fmi2Real[], size_t);
FMI2_EXPORT fmi2Status fmi2GetContinuousStates(fmi2Component, fmi2Real[], size_t);
FMI2_EXPORT fmi2Status fmi2GetNominalsOfContinuousStates(fmi2Component, fmi2Real[], size_t);

#endif
