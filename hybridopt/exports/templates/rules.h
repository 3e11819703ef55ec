/*
${comment}
 *
 * Call the function init once, then the function step in each step of the controller, in the
 * order of time. C99, float32 arithmetic, no dynamic memory, no recursion, no library calls.
 * Look-ups are linear between the points of a table and clamped to the ends of its axes.
 *
 * An input that is not finite is a fault: engine and gear are then wanted as they are, with no
 * motor torque, and `fault` is set. A gear out of range counts as the nearest one; a negative
 * step counts as none. The driveline's own limits (torque, battery, shaft speed) come after
 * this code: it knows nothing of them but the figures below.
 *
 * Compiled with ${guard}_CALIBRATION defined, every value keeps a place of its own in memory
 * and is read from there in each step, so that a calibration tool can change it; the file that
 * hybridopt export --format a2l writes names the places. Axes must increase at all times.
 */
#ifndef ${guard}_H
#define ${guard}_H

#include <stdbool.h>
${include}
#define ${guard}_GEARS ${gears}
#define ${guard}_TRAINING "${training}"

typedef struct {
    float speed;            /* m/s, vehicle */
    float wheel_speed;      /* rad/s */
    float wheel_torque;     /* N m, wanted at the wheels, negative when braking */
    float soc;              /* state of charge, 0 to 1 */
    float dt;               /* s, since the step before; any figure in the first one */
    bool actual_engine_on;  /* whether the engine runs, or is being started */
    int actual_gear;        /* gear engaged, 1 is first */
} ${name}_inputs;

typedef struct {
    bool engine_on;         /* whether the engine shall run */
    int gear;               /* gear wanted, 1 is first */
    float motor_torque;     /* N m at the gearbox input; all that is wanted there if engine off */
    bool fault;             /* an input was not finite */
} ${name}_command;

typedef struct {
    float engine_time;      /* s, in the present engine state */
    float gear_time;        /* s, in the present gear */
    bool engine_on;         /* of the step before */
    int gear;               /* of the step before, 1 is first */
} ${name}_state;

/* Forget all before: engine state and gear count as reached long ago. */
void ${name}_init(${name}_state *state, bool actual_engine_on, int actual_gear);

/* Count the times on, and give the command for the step that begins. */
void ${name}_step(${name}_state *state, const ${name}_inputs *inputs, ${name}_command *command);

/* Give the command for times known (s in the present engine state and gear); `dt` is not used. */
void ${name}_decide(const ${name}_inputs *inputs, float engine_time, float gear_time,
                    ${name}_command *command);

#endif
