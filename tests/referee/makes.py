#!/usr/bin/env python3
"""Cheese makes in simulated kettles: readings for `curdtrace replay`, a plan, and the truth.

Another hand's than the rehearsal's: none of its code or figures is used here, so that what it
takes for granted is found out. Figures are common practice, from memory; standard library only.

    makes.py KIND SEED [--mark] [--out DIR]     writes KIND-SEED.lp, .plan.toml, .truth.json
    makes.py list

Lumped physics: a core (there hangs the probe) and an outer layer of milk, the wall, a fire or
a jacket with after-heat, losses by air and steam; a probe with lag, noise, spikes, gaps, lifts.
Deterministic by seed. The maker is a script per kind; with `sink` he can hear (closed loop).
"""
import json, math, random, sys
from bisect import bisect_left

def steam(t):                                   # vapour pressure, kPa
    return 0.6108 * math.exp(17.27 * t / (t + 237.3))

class Kettle:
    def __init__(s, kind, seed, mark=False, sink=None, nominal=False):
        s.kind, s.sink, s.marking = kind, sink, mark
        s.r, s.n, s.f = (random.Random(f"{kind}/{seed}/{x}") for x in "maker noise fire".split())
        r, s.K = s.r, random.Random(f'{kind}/{seed}/kettle')   # K: the kettle's own dice
        s.t = s.t0 = 1_780_000_000 + seed * 86_400 + r.randrange(3600)
        s.dt, s.every, s.quant, s.lines, s.truth, s.plan = 1.0, 1, 0.0625, [], [], []
        s.cooks, s.log_t, s.log_T, s.log_s, s.offs = [], [], [], [], []
        s.air, s.air0, s.altitude = r.uniform(9, 22), 0, 0
        s.tau, s.sigma = r.uniform(2, 7), r.lognormvariate(0, 0.3)
        s.dirt, s.breath = 1.0, 1.0             # how often spikes, gaps, lifts; how much losses
        s.litres, s.m = 0.0, 0.0
        s.size(r.uniform(90, 400))
        s.core = s.outer = s.wall = r.uniform(8, 16)
        s.source, s.off_way = r.choice(["wood", "wood", "gas"]), r.choice(["crane", "embers"])
        s.jacket = None                         # [litres, temperature, set point, heater W, on?]
        s.P = s.res = s.slow = s.fast = s.rise = 0.0
        s.want, s.pmax = 0.0, 1e9
        s.body, s.stir, s.place, s.probe = "milk", False, "air", s.air
        s.ar, s.gap_until, s.lift_until, s.jet, s.i = 0.0, 0, 0, 0.0, 0
        s.called = None

    def size(s, litres, fill=1.0):
        s.litres, s.m = litres, litres * fill * 1.03
        s.area = 0.8 * (litres / 100) ** (2 / 3)
        s.top, s.Cw = 0.35 * s.area, 385 * 27 * (litres / 100) ** 0.78

    def jacketed(s, share, watts_per_l):
        s.jacket = [s.litres * share, s.core, None, s.litres * watts_per_l, False]
        s.source, s.off_way = "jacket", "stays"

    # --- physics -------------------------------------------------------------------------
    def fire(s, loss):
        s.slow += -s.slow * s.dt / 300 + s.f.gauss(0, 0.22 * math.sqrt(2 * s.dt / 300))
        s.fast += -s.fast * s.dt / 40 + s.f.gauss(0, 0.12 * math.sqrt(2 * s.dt / 40))
        if s.want > 0:
            s.rise += (1 - s.rise) * s.dt / (60 if s.source == "wood" else 15)
            wild = math.exp(s.slow + s.fast) if s.source == "wood" else 1 + 0.1 * s.fast
            s.P = min(s.pmax, (s.want / 60 * s.m * 3930 + loss) * s.rise * wild)
            s.res = s.P
            return s.P
        s.P, s.rise = 0.0, s.rise if s.off_way == 'crane' and s.source == 'wood' else 0.0   # swung off, the fire burns on
        f, tau = {"crane": (0, 1), "embers": s.embers, "gas": (0.15, 80), "stays": (0.3, 130)}[
            "gas" if s.source == "gas" else s.off_way]
        q = f * s.res
        s.res -= s.res * s.dt / tau
        return q

    embers = (0.3, 240)

    def step(s):
        dt, c = s.dt, 3930
        gel = s.body == "gel"
        mix = 12 if s.stir else (9000 if gel else (90 if s.want > 0 or s.body == "milk" else 240))
        h = (600 if s.stir else 180) if not gel else 35
        mc, mo = s.m * 0.7, s.m * 0.3
        hc = 4 * s.breath
        loss = s.top * (2 * hc * (s.outer - s.air) + hc / 0.066 * (steam(s.outer) - 0.7 * steam(s.air)))
        side = 7 * s.area * (s.wall - s.air) * s.breath
        q_in = s.fire(loss + side)
        if s.jacket:
            j = s.jacket
            if j[2] is not None:
                j[4] = j[1] < j[2] + (0.0 if not j[4] else 1.5)
            heat = j[3] if j[4] and j[2] is not None else 0
            q_in = 450 * s.area * (j[1] - s.wall)
            j[1] += (heat - q_in - 5 * s.area * (j[1] - s.air)) * dt / (j[0] * 4180)
            side = 0
        elif s.want > 0:
            side = 0
        qw = h * s.area * (s.wall - (s.outer if not s.stir else s.core))
        s.wall += (q_in - qw - side) * dt / s.Cw
        ex = (s.core - s.outer) * min(0.5, dt / mix)
        s.core -= ex * 0.3
        s.outer += ex * 0.7 + (qw - loss) * dt / (mo * c)
        boil = 100 - s.altitude / 300 + 0.15
        if s.core > boil: s.core = boil
        if s.outer > boil: s.outer = boil
        # the probe
        now = s.t < s.lift_until
        if callable(s.place): T, tau = s.place(s.t), s.tau
        elif s.place == "air" or now: T, tau = s.air + s.air0, (s.tau * 5 if now else s.tau * 14)
        else: T, tau = s.core, s.tau * (1 if s.stir else 4 if gel else 2)
        s.probe += (T - s.probe) * min(1, dt / tau)
        s.t += dt
        if s.place == "milk" and not now:
            s.log_t.append(s.t); s.log_T.append(s.probe); s.log_s.append(s.stir)
        s.i += 1
        if s.i % s.every == 0: s.read(now)

    def read(s, now):
        n, step = s.n, s.dt * s.every
        sd = 0.02 if s.body == "gel" or s.place == "air" else (
            (0.16 if s.want > 0 else 0.05) if s.stir else (0.10 if s.want > 0 else 0.015))
        sd *= s.sigma
        a = math.exp(-step / 5)
        s.ar = a * s.ar + n.gauss(0, sd * math.sqrt(1 - a * a))
        s.jet *= math.exp(-step / 6)
        v = s.probe + s.ar + s.jet + n.gauss(0, 0.01)
        x = n.random() / step / s.dirt if s.dirt else 1
        if x < 1 / 4000: v += n.choice([-1, 1]) * n.uniform(2, 25)
        elif x < 2 / 4000: s.gap_until = s.t + n.uniform(3, 50)
        elif x < 4 / 4000 and s.stir and s.place == "milk": s.lift_until = s.t + n.uniform(6, 40)
        if s.t < s.gap_until: return
        v = round(v / s.quant) * s.quant
        s.send(f"temperature,probe=kettle celsius={v:.4f} {int(s.t * 1000)}000000")

    def send(s, line):
        s.lines.append(line)
        if s.sink: s.sink(s, line)

    def run(s, secs=None, until=None, most=4 * 3600):
        end = s.t + (secs if secs is not None else most)
        while s.t < end and not (until and until()): s.step()

    # --- the maker's doings; each notes the truth and the plan ----------------------------
    def began(s, stage, at=None): s.truth.append([stage, at if at is not None else s.t])
    def planned(s, kind, **kw): s.plan.append((kind, kw))
    def about(s, minutes): return minutes * 60 * s.r.lognormvariate(0, 0.22)
    def mark(s, name):
        if s.marking: s.send(f'mark,kettle=kettle name="{name}" {int(s.t * 1000)}000000')

    def wait(s, minutes): s.run(minutes * 60)
    def hang(s): s.place = "milk"
    def add(s, kg, T, secs, jets=0.0, draw=0.0):
        """Water or milk poured in; whey drawn before."""
        s.m -= draw
        for _ in range(int(secs)):
            dm = kg / secs
            s.core += (T - s.core) * dm / s.m; s.outer += (T - s.outer) * dm / s.m
            s.m += dm
            if jets and s.n.random() < 0.02: s.jet += jets * s.n.random()
            s.step()

    def heat_to(s, to, rate, stir=True, hear=False, off_at=None):
        """Heat on until the maker judges that it will end on `to` (or, hearing, until called)."""
        s.want, s.stir, s.called = rate, stir, None
        coast = (0.25 if s.off_way == "crane" and s.source != "gas" else
                 0.15 * 80 / 60 * rate if s.source == "gas" else s.embers[0] * s.embers[1] / 60 * rate)
        miss, react = s.r.gauss(0, 0.25), s.r.lognormvariate(math.log(18), 0.45)
        start = s.t
        if s.jacket: s.jacket[2], coast = to + s.hotter, s.jacket[0] / s.litres * s.hotter * 0.6
        own = (off_at if off_at is not None else to) - coast + 0.6 * miss * min(1, rate) - 0.1 * rate
        if hear and s.sink:
            s.run(until=lambda: (s.called and s.t >= s.called + react) or s.core > to + 1.5, most=9 * 3600)
        else:
            s.run(until=lambda: s.core >= own, most=9 * 3600)
        s.want = 0.0
        if hear: s.mark("heat-off")
        if s.jacket: s.jacket[2] = None
        s.offs.append((start, s.t, to))
        return s.t
    hotter = 12

    def warm(s, to, rate=None, stir=True, plan=True):
        s.hang(); s.began("warming")
        if plan: s.planned("warming", to=to)
        s.heat_to(to, rate or s.r.uniform(0.5, 1.3), stir)
    def ripen(s, minutes, plan=True):
        s.began("ripening"); s.stir = True; s.run(40); s.stir = False
        if plan: s.planned("ripening", minutes=minutes, optional=True)
        s.run(s.about(minutes))
    def settle_heat(s):
        """After warming the maker stirs, waits for the heat that still comes."""
        s.stir = True; s.run(s.r.uniform(60, 200))
    def set(s, minutes):
        s.stir = True; s.run(30); s.mark("rennet"); s.run(s.r.uniform(60, 120))
        s.stir, s.body = False, "milk"; s.began("setting"); s.planned("setting", minutes=minutes)
        total = s.about(minutes); s.run(total * 0.3); s.body = "gel"; s.run(total * 0.7)
    def cut(s, minutes, stir=True):          # stir None: left, turned now and then
        s.began("cutting"); s.planned("cutting", minutes=minutes)
        s.body = "curd"; total = s.about(minutes)
        s.mixcut(total, stir)
    def mixcut(s, total, stir):
        cutting = min(total * 0.5, s.r.uniform(120, 420))
        for _ in range(int(cutting / 12)):      # the harp mixes by strokes
            s.stir = True; s.run(5); s.stir = False; s.run(7)
        if s.r.random() < 0.5: s.run(min(total * 0.2, s.r.uniform(60, 240)))   # healing rest
        left = max(60, total - cutting)
        while stir is None and left > 0: s.stir = True; s.run(40); s.stir = False; s.run(110); left -= 150
        s.stir = bool(stir); s.run(max(0, left))
    def cook(s, to, rate, minutes=None, off_at=None, last=True, stir=True, plan=True, begin=True):
        if begin: s.began("cooking")
        if plan: s.planned("cooking", to=to, minutes=minutes or max(3, round((to - s.core) / rate)))
        start = s.t
        off = s.heat_to(to, rate, stir, hear=True, off_at=off_at)
        if last: s.after_heat(to, start, off)
        return start, off
    def after_heat(s, to, start, off):
        s.stir = True
        hot = lambda: s.log_T[max(0, len(s.log_T) - 60)] - s.log_T[-1]
        s.run(60); s.run(until=lambda: hot() > 0.01 and s.core < max(s.core, s.probe) + 1, most=900)
        i = bisect_left(s.log_t, start)
        T, t = s.log_T[i:], s.log_t[i:]
        peak = max(T); reach = next((b for a, b in zip(T, t) if a >= min(to - 0.02, peak)), s.t)
        early = next(b for a, b in zip(T, t) if a >= min(to, peak) - 0.12)
        late = max(reach, next(b for a, b in zip(reversed(T), reversed(t)) if a >= peak - 0.06) if peak < to else reach)
        s.began("stirring", reach)
        s.cooks.append(dict(target=to, began=start, off=off, peak=peak, peak_at=t[T.index(peak)],
                            called=s.called, window=[early, late], rate=(T[-1] - T[0])))
    def out(s, minutes): s.planned("stirring", minutes=minutes); s.stir = True; s.run(s.about(minutes))
    def settle(s, minutes):
        s.began("settling"); s.planned("settling", minutes=minutes); s.stir = False; s.run(s.about(minutes))
    def draw(s, minutes=8, last=True):
        s.began("drawing"); s.planned("drawing"); s.place = "air"; s.run(s.about(minutes))
        if last: s.run(1500)
    def whey(s, to, rate, rest, cooled=4):
        s.m *= 0.85; s.core -= cooled; s.outer = s.core; s.body = "milk"
        s.hang(); s.began("whey-heating"); s.planned("whey-heating", to=to)
        s.want, s.stir = rate, True
        s.run(until=lambda: s.core > 70); s.stir = False
        s.run(until=lambda: s.core >= to - 0.6, most=3 * 3600)
        s.want = 0; s.offs.append((s.truth[-1][1], s.t, to))
        s.began("whey-resting"); s.planned("whey-resting", minutes=rest); s.run(s.about(rest))
        s.place = "air"; s.began("idle"); s.run(1500)

    def plan_toml(s, reaction=18):
        o = [f'name = "{s.kind}"', f"reaction-s = {reaction}", "tolerance-celsius = 0.5"]
        if s.altitude: o.append(f"altitude-m = {s.altitude}")
        for kind, kw in s.plan:
            o += ["", "[[stage]]", f'kind = "{kind}"']
            if "to" in kw: o.append(f"to-celsius = {kw['to']:.2f}")
            if kw.get("minutes"): o.append(f"minutes = {round(kw['minutes'])}")
            if kw.get("optional"): o.append("optional = true")
        return "\n".join(o) + "\n"

from kinds import KINDS

def make(kind, seed, mark=False, sink=None, setup=None):
    k = Kettle(kind, seed, mark, sink)
    if setup: setup(k)
    KINDS[kind](k, k.r)
    return k

if __name__ == "__main__":
    a = sys.argv[1:]
    if a[:1] == ["list"] or len(a) < 2: sys.exit("\n".join(KINDS))
    k = make(a[0], int(a[1]), "--mark" in a)
    base = (a[a.index("--out") + 1] if "--out" in a else ".") + f"/{a[0]}-{a[1]}"
    open(base + ".lp", "w").write("\n".join(k.lines) + "\n")
    open(base + ".plan.toml", "w").write(k.plan_toml())
    json.dump(dict(began=k.truth, cooks=k.cooks, offs=k.offs), open(base + ".truth.json", "w"), indent=1)
