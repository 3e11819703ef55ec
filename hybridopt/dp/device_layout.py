"""What kernels on a device know of every problem of a batch: two rows of numbers for each."""

# whole numbers: sizes, and where the problem's part of the shared arrays begins
(
    N_STEPS,
    N_GEARS,
    N_SOC,  # SoC points
    N_LISTS,  # first list of its operating points; lists count by step, gear and class
    N_POINTS,  # first operating point
    N_DT,  # first step length
    N_CORNERS,  # first corner of its hulls, which lie as the operating points do
    N_HULLS,  # first list of its hulls
    N_STAGES,  # first of its stage costs, one per list
    N_NODES,  # first of the (5, SoC points) battery nodes
    N_SHIFT,  # first step of its shift costs
    N_MOVES,  # first step of its costs of moves
    N_OPENS,  # first of the SoC points from which moves are open
    N_VALUE,  # first float of its cost-to-go, (slots, rows, SoC points)
    N_SLOTS,  # steps of the cost-to-go that are kept: all and one more, or the latest two
    N_OFFSET,  # first of its offsets, one per step and one more
    N_TRACK,  # first of its steps, in arrays of (steps,)
    N_PATH,  # first of its steps, in arrays of (steps + 1,)
    N_CELL,  # first of the (6, nodes) battery table
    N_CELL_NODES,
    N_STATE,  # state and gear before the first step
    N_GEAR,
    N_ROWS,  # states x gears
    N_SHIFT_BASE,  # first of its shift costs without the setting's one
    N_SIZE,
) = range(25)
# real numbers
(
    F_CELLS,  # grid cells per C
    F_EFFICIENCY,  # coulombic, of charging
    F_CAPACITY,  # C
    F_VOLTAGE,  # of the battery at the middle of the window, V
    F_DISCHARGE,  # ohm
    F_CHARGE,  # ohm
    F_LOW,  # SoC grid, see problem.grid.Grid
    F_TOP,
    F_SPACING,
    F_PENALTY,
    F_FLOOR,
    F_TARGET,
    F_TWO_SIDED,
    F_SOC,  # at the start
    F_SHIFT_COST,  # g, of every change of gear
    F_SIZE,
) = range(16)
