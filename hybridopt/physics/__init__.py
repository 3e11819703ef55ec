"""Physics of one step and of a whole drive: demand, shafts, battery, points, replay."""
