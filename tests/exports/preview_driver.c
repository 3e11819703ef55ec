/* Runs the predictive controller over records of a binary file: what the tests compare. */
#include <stdio.h>
#include <string.h>

#include NAME_H

#define JOIN_(a, b) a##b
#define JOIN(a, b) JOIN_(a, b)
#define OF(what) JOIN(NAME, what)

#ifdef COUNTING
#define COUNT_FROM_HERE counted = 0
#define COUNTED counted
#else
#define COUNT_FROM_HERE (void)0
#define COUNTED 0
#endif

enum { SPEEDS = FORESEEN_MOST + 2, GRADES = FORESEEN_MOST + 1 };
enum { FORESEEN, SOC, DT, ENGINE_ON, GEAR, ENGINE_TIME, GEAR_TIME, REMAINING, TORQUE, SIZE };

int main(int argc, char **argv)
{
    const bool stepwise = argc == 4 && strcmp(argv[1], "step") == 0;
    FILE *in, *out;
    float speeds[SPEEDS], grades[GRADES], record[SIZE];
    OF(_state) state;
    bool first = true;

    if (argc != 4 || (in = fopen(argv[2], "rb")) == NULL) {
        return 1;
    }
    if ((out = fopen(argv[3], "wb")) == NULL) {
        return 1;
    }
    memset(&state, 0, sizeof state);
    while (fread(speeds, sizeof speeds, 1, in) == 1 && fread(grades, sizeof grades, 1, in) == 1
           && fread(record, sizeof record, 1, in) == 1) {
        OF(_inputs) inputs;
        OF(_command) command;
        float given[8];
        memcpy(inputs.speed, speeds, sizeof speeds);
        memcpy(inputs.grade, grades, sizeof grades);
        inputs.intervals = (int)record[FORESEEN];
        inputs.soc = record[SOC];
        inputs.dt = record[DT];
        inputs.remaining = record[REMAINING];
        inputs.actual_engine_on = record[ENGINE_ON] > 0.5F;
        inputs.actual_gear = (int)record[GEAR];
        if (first || !stepwise) {
            OF(_init)(&state, inputs.actual_engine_on, inputs.actual_gear);
            first = false;
        }
        if (!stepwise) {
            state.engine_time = record[ENGINE_TIME];
            state.gear_time = record[GEAR_TIME];
            state.wheel_torque = record[TORQUE];
        }
        COUNT_FROM_HERE;
        if (stepwise) {
            OF(_step)(&state, &inputs, &command);
        } else {
            OF(_decide)(&state, &inputs, &command);
        }
        given[7] = (float)COUNTED;
        given[0] = command.engine_on ? 1.0F : 0.0F;
        given[1] = (float)command.gear;
        given[2] = command.motor_torque;
        given[3] = command.motor_rests ? 1.0F : 0.0F;
        given[4] = command.fault ? 1.0F : 0.0F;
        given[5] = state.engine_time;
        given[6] = state.gear_time;
        if (fwrite(given, sizeof given, 1, out) != 1) {
            return 1;
        }
    }
    fclose(in);
    return fclose(out) == 0 ? 0 : 1;
}
