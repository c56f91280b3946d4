"""Figures by independent libraries, for tests/lines/referee_conversion.rs: lines in, lines out.

A line in is a kind and a number; a line out is the number that the library makes of it, or "none".
  emf K 54.0        thermocouple_its90: mV at a temperature
  celsius K 2.188   thermocouple_its90: temperature of an emf
  pt100 54.0        ptcal: ohm at a temperature (Callendar-Van Dusen)
  boiling 804.93    iapws: boiling point, C, at a pressure in hPa (IAPWS-IF97)
With --bench TYPE it prints instead the time of one conversion, forward and inverse, ns.
"""

import sys
import time

import thermocouple_its90


def bench(letter):
    couple = thermocouple_its90.get(letter)
    celsius = [i * 0.011 for i in range(10000)]
    emfs = [couple.emf(t) for t in celsius]
    for function, inputs in ((couple.emf, celsius), (couple.temperature, emfs)):
        best = float("inf")
        for _ in range(5):
            began = time.perf_counter_ns()
            for x in inputs:
                function(x)
            best = min(best, (time.perf_counter_ns() - began) / len(inputs))
        print("%.1f" % best)


def serve():
    from iapws.iapws97 import _TSat_P
    from ptcal import PtSensor

    pt100 = PtSensor("referee", "CVD", R0=100.0, A=3.9083e-3, B=-5.775e-7, C=-4.183e-12)
    couples = {letter: thermocouple_its90.get(letter) for letter in "BEJKNRST"}
    out = []
    for line in sys.stdin:
        words = line.split()
        x = float(words[-1])
        try:
            if words[0] == "emf":
                y = couples[words[1]].emf(x)
            elif words[0] == "celsius":
                y = couples[words[1]].temperature(x)
            elif words[0] == "pt100":
                y = pt100.get_resistance(x)
            else:
                y = _TSat_P(x * 1e-4) - 273.15
            out.append(repr(float(y)))
        except thermocouple_its90.RangeError:
            out.append("none")
    print("\n".join(out))


if len(sys.argv) > 2 and sys.argv[1] == "--bench":
    bench(sys.argv[2])
else:
    serve()
