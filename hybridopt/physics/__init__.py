"""The physics of one step and of a whole drive: demand, driveline, battery, operating points, replay."""
