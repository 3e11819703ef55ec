/*
 * What a co-simulation unit needs of the Functional Mock-up Interface 3.0, an open standard of
 * the Modelica Association (fmi-standard.org): types and the functions it must export.
 */
#ifndef FMI3_H
#define FMI3_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#if defined _WIN32
#define FMI3_EXPORT __declspec(dllexport)
#elif defined __GNUC__
#define FMI3_EXPORT __attribute__((visibility("default")))
#else
#define FMI3_EXPORT
#endif

typedef void *fmi3Instance;
typedef void *fmi3InstanceEnvironment;
typedef void *fmi3FMUState;
typedef uint32_t fmi3ValueReference;
typedef float fmi3Float32;
typedef double fmi3Float64;
typedef int8_t fmi3Int8;
typedef uint8_t fmi3UInt8;
typedef int16_t fmi3Int16;
typedef uint16_t fmi3UInt16;
typedef int32_t fmi3Int32;
typedef uint32_t fmi3UInt32;
typedef int64_t fmi3Int64;
typedef uint64_t fmi3UInt64;
typedef bool fmi3Boolean;
typedef char fmi3Char;
typedef const fmi3Char *fmi3String;
typedef uint8_t fmi3Byte;
typedef const fmi3Byte *fmi3Binary;
typedef bool fmi3Clock;

typedef enum { fmi3OK, fmi3Warning, fmi3Discard, fmi3Error, fmi3Fatal } fmi3Status;
typedef enum {
    fmi3Independent, fmi3Constant, fmi3Fixed, fmi3Tunable, fmi3Discrete, fmi3Dependent
} fmi3DependencyKind;
typedef enum {
    fmi3IntervalNotYetKnown, fmi3IntervalUnchanged, fmi3IntervalChanged
} fmi3IntervalQualifier;

typedef void (*fmi3LogMessageCallback)(fmi3InstanceEnvironment, fmi3Status, fmi3String,
                                       fmi3String);
typedef void (*fmi3ClockUpdateCallback)(fmi3InstanceEnvironment);
typedef void (*fmi3IntermediateUpdateCallback)(fmi3InstanceEnvironment, fmi3Float64, fmi3Boolean,
                                               fmi3Boolean, fmi3Boolean, fmi3Boolean,
                                               fmi3Boolean *, fmi3Float64 *);
typedef void (*fmi3LockPreemptionCallback)(void);
typedef void (*fmi3UnlockPreemptionCallback)(void);

FMI3_EXPORT const char *fmi3GetVersion(void);
FMI3_EXPORT fmi3Status fmi3SetDebugLogging(fmi3Instance, fmi3Boolean, size_t, const fmi3String[]);

FMI3_EXPORT fmi3Instance fmi3InstantiateModelExchange(fmi3String, fmi3String, fmi3String,
                                                      fmi3Boolean, fmi3Boolean,
                                                      fmi3InstanceEnvironment,
                                                      fmi3LogMessageCallback);
FMI3_EXPORT fmi3Instance fmi3InstantiateCoSimulation(fmi3String, fmi3String, fmi3String,
                                                     fmi3Boolean, fmi3Boolean, fmi3Boolean,
                                                     fmi3Boolean, const fmi3ValueReference[],
                                                     size_t, fmi3InstanceEnvironment,
                                                     fmi3LogMessageCallback,
                                                     fmi3IntermediateUpdateCallback);
FMI3_EXPORT fmi3Instance fmi3InstantiateScheduledExecution(
    fmi3String, fmi3String, fmi3String, fmi3Boolean, fmi3Boolean, fmi3InstanceEnvironment,
    fmi3LogMessageCallback, fmi3ClockUpdateCallback, fmi3LockPreemptionCallback,
    fmi3UnlockPreemptionCallback);
FMI3_EXPORT void fmi3FreeInstance(fmi3Instance);
FMI3_EXPORT fmi3Status fmi3EnterInitializationMode(fmi3Instance, fmi3Boolean, fmi3Float64,
                                                   fmi3Float64, fmi3Boolean, fmi3Float64);
FMI3_EXPORT fmi3Status fmi3ExitInitializationMode(fmi3Instance);
FMI3_EXPORT fmi3Status fmi3EnterEventMode(fmi3Instance);
FMI3_EXPORT fmi3Status fmi3Terminate(fmi3Instance);
FMI3_EXPORT fmi3Status fmi3Reset(fmi3Instance);
FMI3_EXPORT fmi3Status fmi3EnterConfigurationMode(fmi3Instance);
FMI3_EXPORT fmi3Status fmi3ExitConfigurationMode(fmi3Instance);
FMI3_EXPORT fmi3Status fmi3EvaluateDiscreteStates(fmi3Instance);
FMI3_EXPORT fmi3Status fmi3EnterStepMode(fmi3Instance);

FMI3_EXPORT fmi3Status fmi3GetFloat32(fmi3Instance, const fmi3ValueReference[], size_t,
                                  fmi3Float32[], size_t);
FMI3_EXPORT fmi3Status fmi3SetFloat32(fmi3Instance, const fmi3ValueReference[], size_t,
                                  const fmi3Float32[], size_t);
FMI3_EXPORT fmi3Status fmi3GetFloat64(fmi3Instance, const fmi3ValueReference[], size_t,
                                  fmi3Float64[], size_t);
FMI3_EXPORT fmi3Status fmi3SetFloat64(fmi3Instance, const fmi3ValueReference[], size_t,
                                  const fmi3Float64[], size_t);
FMI3_EXPORT fmi3Status fmi3GetInt8(fmi3Instance, const fmi3ValueReference[], size_t,
                                  fmi3Int8[], size_t);
FMI3_EXPORT fmi3Status fmi3SetInt8(fmi3Instance, const fmi3ValueReference[], size_t,
                                  const fmi3Int8[], size_t);
FMI3_EXPORT fmi3Status fmi3GetUInt8(fmi3Instance, const fmi3ValueReference[], size_t,
                                  fmi3UInt8[], size_t);
FMI3_EXPORT fmi3Status fmi3SetUInt8(fmi3Instance, const fmi3ValueReference[], size_t,
                                  const fmi3UInt8[], size_t);
FMI3_EXPORT fmi3Status fmi3GetInt16(fmi3Instance, const fmi3ValueReference[], size_t,
                                  fmi3Int16[], size_t);
FMI3_EXPORT fmi3Status fmi3SetInt16(fmi3Instance, const fmi3ValueReference[], size_t,
                                  const fmi3Int16[], size_t);
FMI3_EXPORT fmi3Status fmi3GetUInt16(fmi3Instance, const fmi3ValueReference[], size_t,
                                  fmi3UInt16[], size_t);
FMI3_EXPORT fmi3Status fmi3SetUInt16(fmi3Instance, const fmi3ValueReference[], size_t,
                                  const fmi3UInt16[], size_t);
FMI3_EXPORT fmi3Status fmi3GetInt32(fmi3Instance, const fmi3ValueReference[], size_t,
                                  fmi3Int32[], size_t);
FMI3_EXPORT fmi3Status fmi3SetInt32(fmi3Instance, const fmi3ValueReference[], size_t,
                                  const fmi3Int32[], size_t);
FMI3_EXPORT fmi3Status fmi3GetUInt32(fmi3Instance, const fmi3ValueReference[], size_t,
                                  fmi3UInt32[], size_t);
FMI3_EXPORT fmi3Status fmi3SetUInt32(fmi3Instance, const fmi3ValueReference[], size_t,
                                  const fmi3UInt32[], size_t);
FMI3_EXPORT fmi3Status fmi3GetInt64(fmi3Instance, const fmi3ValueReference[], size_t,
                                  fmi3Int64[], size_t);
FMI3_EXPORT fmi3Status fmi3SetInt64(fmi3Instance, const fmi3ValueReference[], size_t,
                                  const fmi3Int64[], size_t);
FMI3_EXPORT fmi3Status fmi3GetUInt64(fmi3Instance, const fmi3ValueReference[], size_t,
                                  fmi3UInt64[], size_t);
FMI3_EXPORT fmi3Status fmi3SetUInt64(fmi3Instance, const fmi3ValueReference[], size_t,
                                  const fmi3UInt64[], size_t);
FMI3_EXPORT fmi3Status fmi3GetBoolean(fmi3Instance, const fmi3ValueReference[], size_t,
                                  fmi3Boolean[], size_t);
FMI3_EXPORT fmi3Status fmi3SetBoolean(fmi3Instance, const fmi3ValueReference[], size_t,
                                  const fmi3Boolean[], size_t);
FMI3_EXPORT fmi3Status fmi3GetString(fmi3Instance, const fmi3ValueReference[], size_t,
                                  fmi3String[], size_t);
FMI3_EXPORT fmi3Status fmi3SetString(fmi3Instance, const fmi3ValueReference[], size_t,
                                  const fmi3String[], size_t);
FMI3_EXPORT fmi3Status fmi3GetBinary(fmi3Instance, const fmi3ValueReference[], size_t, size_t[],
                                     fmi3Binary[], size_t);
FMI3_EXPORT fmi3Status fmi3SetBinary(fmi3Instance, const fmi3ValueReference[], size_t,
                                     const size_t[], const fmi3Binary[], size_t);
FMI3_EXPORT fmi3Status fmi3GetClock(fmi3Instance, const fmi3ValueReference[], size_t, fmi3Clock[]);
FMI3_EXPORT fmi3Status fmi3SetClock(fmi3Instance, const fmi3ValueReference[], size_t,
                                    const fmi3Clock[]);

FMI3_EXPORT fmi3Status fmi3GetNumberOfVariableDependencies(fmi3Instance, fmi3ValueReference,
                                                           size_t *);
FMI3_EXPORT fmi3Status fmi3GetVariableDependencies(fmi3Instance, fmi3ValueReference, size_t[],
                                                   fmi3ValueReference[], size_t[],
                                                   fmi3DependencyKind[], size_t);
FMI3_EXPORT fmi3Status fmi3GetFMUState(fmi3Instance, fmi3FMUState *);
FMI3_EXPORT fmi3Status fmi3SetFMUState(fmi3Instance, fmi3FMUState);
FMI3_EXPORT fmi3Status fmi3FreeFMUState(fmi3Instance, fmi3FMUState *);
FMI3_EXPORT fmi3Status fmi3SerializedFMUStateSize(fmi3Instance, fmi3FMUState, size_t *);
FMI3_EXPORT fmi3Status fmi3SerializeFMUState(fmi3Instance, fmi3FMUState, fmi3Byte[], size_t);
FMI3_EXPORT fmi3Status fmi3DeserializeFMUState(fmi3Instance, const fmi3Byte[], size_t,
                                               fmi3FMUState *);
FMI3_EXPORT fmi3Status fmi3GetDirectionalDerivative(fmi3Instance, const fmi3ValueReference[],
                                                    size_t, const fmi3ValueReference[], size_t,
                                                    const fmi3Float64[], size_t, fmi3Float64[],
                                                    size_t);
FMI3_EXPORT fmi3Status fmi3GetAdjointDerivative(fmi3Instance, const fmi3ValueReference[], size_t,
                                                const fmi3ValueReference[], size_t,
                                                const fmi3Float64[], size_t, fmi3Float64[],
                                                size_t);
FMI3_EXPORT fmi3Status fmi3GetIntervalDecimal(fmi3Instance, const fmi3ValueReference[], size_t,
                                    fmi3Float64[], fmi3IntervalQualifier[]);
FMI3_EXPORT fmi3Status fmi3GetIntervalFraction(fmi3Instance, const fmi3ValueReference[], size_t,
                                    fmi3UInt64[], fmi3UInt64[],
                                    fmi3IntervalQualifier[]);
FMI3_EXPORT fmi3Status fmi3GetShiftDecimal(fmi3Instance, const fmi3ValueReference[], size_t,
                                    fmi3Float64[]);
FMI3_EXPORT fmi3Status fmi3GetShiftFraction(fmi3Instance, const fmi3ValueReference[], size_t,
                                    fmi3UInt64[], fmi3UInt64[]);
FMI3_EXPORT fmi3Status fmi3SetIntervalDecimal(fmi3Instance, const fmi3ValueReference[], size_t,
                                    const fmi3Float64[]);
FMI3_EXPORT fmi3Status fmi3SetIntervalFraction(fmi3Instance, const fmi3ValueReference[], size_t,
                                    const fmi3UInt64[],
                                    const fmi3UInt64[]);
FMI3_EXPORT fmi3Status fmi3SetShiftDecimal(fmi3Instance, const fmi3ValueReference[], size_t,
                                    const fmi3Float64[]);
FMI3_EXPORT fmi3Status fmi3SetShiftFraction(fmi3Instance, const fmi3ValueReference[], size_t,
                                    const fmi3UInt64[],
                                    const fmi3UInt64[]);
FMI3_EXPORT fmi3Status fmi3UpdateDiscreteStates(fmi3Instance, fmi3Boolean *, fmi3Boolean *,
                                                fmi3Boolean *, fmi3Boolean *, fmi3Boolean *,
                                                fmi3Float64 *);
FMI3_EXPORT fmi3Status fmi3GetOutputDerivatives(fmi3Instance, const fmi3ValueReference[], size_t,
                                                const fmi3Int32[], fmi3Float64[], size_t);
FMI3_EXPORT fmi3Status fmi3DoStep(fmi3Instance, fmi3Float64, fmi3Float64, fmi3Boolean,
                                  fmi3Boolean *, fmi3Boolean *, fmi3Boolean *, fmi3Float64 *);

FMI3_EXPORT fmi3Status fmi3EnterContinuousTimeMode(fmi3Instance);
FMI3_EXPORT fmi3Status fmi3CompletedIntegratorStep(fmi3Instance, fmi3Boolean, fmi3Boolean *,
                                                   fmi3Boolean *);
FMI3_EXPORT fmi3Status fmi3SetTime(fmi3Instance, fmi3Float64);
FMI3_EXPORT fmi3Status fmi3SetContinuousStates(fmi3Instance, const fmi3Float64[], size_t);
FMI3_EXPORT fmi3Status fmi3GetContinuousStateDerivatives(fmi3Instance, fmi3Float64[], size_t);
FMI3_EXPORT fmi3Status fmi3GetEventIndicators(fmi3Instance, fmi3Float64[], size_t);
FMI3_EXPORT fmi3Status fmi3GetContinuousStates(fmi3Instance, fmi3Float64[], size_t);
FMI3_EXPORT fmi3Status fmi3GetNominalsOfContinuousStates(fmi3Instance, fmi3Float64[], size_t);
FMI3_EXPORT fmi3Status fmi3GetNumberOfEventIndicators(fmi3Instance, size_t *);
FMI3_EXPORT fmi3Status fmi3GetNumberOfContinuousStates(fmi3Instance, size_t *);
FMI3_EXPORT fmi3Status fmi3ActivateModelPartition(fmi3Instance, fmi3ValueReference, fmi3Float64);

#endif
