/*
${comment}
 *
 * Call the function init once, then the function step in each step of the controller, in the
 * order of time. C99, float32 arithmetic, no dynamic memory, no recursion, no library calls; all
 * that is written to lies in the state and the command that the caller owns.
 *
 * Look-ups are linear between the points of a table and clamped to the ends of its axes.
 * One call of step takes at most ${operations} operations, ${divisions} divisions among them: additions,
 * subtractions, multiplications, divisions and comparisons of float and int, those of indices
 * among them; addresses, copies, conversions and jumps are not counted. Tables take
 * ${bytes} bytes.
 *
 * What the driveline can do is known from off_limit, running_limit, start_limit and speed limits
 * only: a choice that lacks torque by them is made only where every other does as well, and the
 * engine runs where by start_limit a start could not carry what is asked and the reserve. Limits
 * of the battery, temperatures and requests of heat are not known. All that the driveline itself
 * limits comes after this code. Minimum times are given up where they leave nothing that carries.
 *
 * An input that is not finite, or a step of no length, is a fault: engine and gear are then
 * wanted as they are, with no motor torque, and `fault` is set. Speeds count from 0 to 150 m/s,
 * grades from -1 to 1, steps from 1 ms to 100 s; a gear or a number of intervals out of range
 * counts as the nearest one.
 *
 * Compiled with ${guard}_CALIBRATION defined, every value keeps a place of its own in memory
 * and is read from there in each step, so that a calibration tool can change it; the file that
 * hybridopt export --format a2l writes names the places. Axes must increase at all times.
 */
#ifndef ${guard}_H
#define ${guard}_H

#include <stdbool.h>

#define ${guard}_GEARS ${gears}
#define ${guard}_INTERVALS ${intervals} /* most that are foreseen */
#define ${guard}_STEP ${step} /* s, length of a foreseen interval */
#define ${guard}_OPERATIONS ${operations} /* at most, of one call of step */
#define ${guard}_TRAINING "${training}"

typedef struct {
    float speed[${guard}_INTERVALS + 2]; /* m/s: now, at the end of the step that begins, and at
                                the end of each interval after it */
    float grade[${guard}_INTERVALS + 1]; /* rise over run, mean of the step and of each interval */
    int intervals;                       /* how many are foreseen */
    float soc;                           /* state of charge, 0 to 1 */
    float remaining;                     /* ${remaining} */
    float dt;                            /* s, length of the step that begins */
    bool actual_engine_on;               /* whether the engine runs, or is being started */
    int actual_gear;                     /* gear engaged, 1 is first */
} ${name}_inputs;

typedef struct {
    bool engine_on;     /* whether the engine shall run */
    int gear;           /* gear wanted, 1 is first */
    float motor_torque; /* N m at the gearbox input; all that is wanted there if engine off */
    bool motor_rests;   /* the motor had better be unpowered; its torque is then 0 */
    bool fault;         /* an input was not finite, or the step had no length */
} ${name}_command;

typedef struct {
    float engine_time;  /* s, in the present engine state */
    float gear_time;    /* s, in the present gear */
    float wheel_torque; /* N m, wanted in the step before */
    bool engine_on;     /* of the step before */
    int gear;           /* of the step before, 1 is first */
    float dt;           /* s, of the step before */
    struct {            /* room for one decision */
        float stage[${guard}_INTERVALS + 1][${guard}_GEARS][3];
        float square[${guard}_INTERVALS + 1];
        bool may_stop[${guard}_INTERVALS + 1];
        bool may_shift[${guard}_INTERVALS + 1];
        float value[2][2][${guard}_GEARS];
        float end[2][${guard}_GEARS];
        bool able[${guard}_GEARS][3];
        bool allowed[2][${guard}_GEARS];
    } room;
} ${name}_state;

/* Forget all before: engine state and gear count as reached long ago. */
void ${name}_init(${name}_state *state, bool actual_engine_on, int actual_gear);

/* Count the times on, and give the command for the step that begins. */
void ${name}_step(${name}_state *state, const ${name}_inputs *inputs, ${name}_command *command);

/* Give the command for the times in the state; what the wheels want is remembered. */
void ${name}_decide(${name}_state *state, const ${name}_inputs *inputs, ${name}_command *command);

#endif
