"""Changes of slope by a general library (ruptures), told how many there are.

Standard input: the number of changes, then one value a line. Prints the
indices, exact dynamic programming over every second place.
"""
import sys

import numpy as np
import ruptures

lines = sys.stdin.read().split()
values = np.array([float(x) for x in lines[1:]]).reshape(-1, 1)
found = ruptures.Dynp(model="clinear", jump=2, min_size=4).fit(values).predict(int(lines[0]))
for index in found[:-1]:
    print(index)
