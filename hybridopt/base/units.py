"""Conversion factors from the units of files to SI; used only where files are read or written.

Multiply a value in the named unit by the factor to get SI.
"""

import math

RPM = 2.0 * math.pi / 60.0  # rad/s
KM_PER_H = 1.0 / 3.6  # m/s
PERCENT = 0.01  # -
KW = 1e3  # W
AH = 3600.0  # C
MJ_PER_KG = 1e3  # J/g, since fuel is counted in grams
G_PER_KWH = 1.0 / 3.6e6  # g/J
G_PER_L = 1.0  # fuel density stays in g/l: it only ever divides grams
BAR = 1e5  # Pa
L_PER_MIN = 1e-3 / 60.0  # m3/s
GRAVITY = 9.81  # m/s2, the rounded value usual in vehicle engineering
