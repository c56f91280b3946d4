"""A reference Kalman filter (filterpy) over the samples on standard input.

First line: initial level, slope, var_level, cov, var_slope. Then one sample a
line: seconds since the last one, level drift and slope drift (variances per
second), °C, variance of the sample. Prints the state after each sample, in the
order of the first line.
"""
import sys

import numpy as np
from filterpy.kalman import KalmanFilter

rows = [[float(x) for x in line.split()] for line in sys.stdin]
level, slope, var_level, cov, var_slope = rows[0]
f = KalmanFilter(dim_x=2, dim_z=1)
f.x = np.array([[level], [slope]])
f.P = np.array([[var_level, cov], [cov, var_slope]])
f.H = np.array([[1.0, 0.0]])
for dt, level_drift, slope_drift, celsius, noise in rows[1:]:
    f.predict(F=np.array([[1.0, dt], [0.0, 1.0]]), Q=np.diag([level_drift * dt, slope_drift * dt]))
    f.update(np.array([[celsius]]), R=np.array([[noise]]))
    print(*(repr(float(v)) for v in (f.x[0, 0], f.x[1, 0], f.P[0, 0], f.P[0, 1], f.P[1, 1])))
