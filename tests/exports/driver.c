/* Runs the rules over records of a binary file: what the tests compare with Python. */
#include <stdio.h>
#include <string.h>

#include NAME_H

#define JOIN_(a, b) a##b
#define JOIN(a, b) JOIN_(a, b)
#define OF(what) JOIN(NAME, what)

enum { SPEED, WHEEL_SPEED, WHEEL_TORQUE, SOC, DT, ENGINE_ON, GEAR, ENGINE_TIME, GEAR_TIME, SIZE };

int main(int argc, char **argv)
{
    const int stepwise = argc == 4 && strcmp(argv[1], "step") == 0;
    FILE *in, *out;
    float record[SIZE];
    OF(_state) state;
    int first = 1;

    if (argc != 4 || (in = fopen(argv[2], "rb")) == NULL) {
        return 1;
    }
    if ((out = fopen(argv[3], "wb")) == NULL) {
        return 1;
    }
    while (fread(record, sizeof record, 1, in) == 1) {
        OF(_inputs) inputs;
        OF(_command) command;
        float given[6];
        inputs.speed = record[SPEED];
        inputs.wheel_speed = record[WHEEL_SPEED];
        inputs.wheel_torque = record[WHEEL_TORQUE];
        inputs.soc = record[SOC];
        inputs.dt = record[DT];
        inputs.actual_engine_on = record[ENGINE_ON] > 0.5F;
        inputs.actual_gear = (int)record[GEAR];
        if (stepwise) {
            if (first) {
                OF(_init)(&state, inputs.actual_engine_on, inputs.actual_gear);
                first = 0;
            }
            OF(_step)(&state, &inputs, &command);
        } else {
            OF(_decide)(&inputs, record[ENGINE_TIME], record[GEAR_TIME], &command);
            state.engine_time = record[ENGINE_TIME];
            state.gear_time = record[GEAR_TIME];
        }
        given[0] = command.engine_on ? 1.0F : 0.0F;
        given[1] = (float)command.gear;
        given[2] = command.motor_torque;
        given[3] = command.fault ? 1.0F : 0.0F;
        given[4] = state.engine_time;
        given[5] = state.gear_time;
        if (fwrite(given, sizeof given, 1, out) != 1) {
            return 1;
        }
    }
    fclose(in);
    return fclose(out) == 0 ? 0 : 1;
}
