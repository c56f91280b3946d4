"""The kinds of make: each a maker's script over a Kettle `k`, with `r` his dice."""

def start(k, r, idle=None):
    k.wait(idle if idle is not None else r.uniform(3, 12))
def body(k, r, to, rate, setm=32, cutm=12, outm=20, settle=6):
    """From rennet to lifting: the ordinary middle."""
    k.set(setm); k.cut(cutm); k.cook(to, rate)
    if outm: k.out(outm)
    if settle: k.settle(settle)
    k.draw()
def T0(r): return r.uniform(31.5, 34.5)
def easy(k, r, to=None, rate=None, ripen=None, **kw):
    start(k, r); k.warm(T0(r)); k.settle_heat()
    if ripen if ripen is not None else r.random() < 0.4: k.ripen(30)
    body(k, r, to or r.uniform(38, 43), rate or r.uniform(0.25, 0.6), **kw)

def semi(k, r): easy(k, r)
def hard(k, r): easy(k, r, r.uniform(50, 55), r.uniform(0.5, 0.8), cutm=18, outm=35)
def twostep(k, r):
    start(k, r); k.warm(r.uniform(31.5, 33)); k.settle_heat(); k.set(12); k.cut(10)
    k.cook(44, r.uniform(0.5, 0.9), last=False); k.stir = True; k.run(r.uniform(90, 400))
    k.cook(r.uniform(54, 55.5), r.uniform(0.9, 1.3), begin=False); k.out(3); k.settle(45); k.draw()
def washed(k, r, cold=False):
    start(k, r); k.warm(r.uniform(30, 32)); k.settle_heat(); k.set(38); k.cut(25)
    to = r.uniform(36.5, 38.5); k.began("cooking"); k.planned("cooking", to=to, minutes=16); k.stir = True
    m = k.m * 0.67; kg = m * (to - k.core) / (62 - to) * 1.04; st = k.t
    for _ in range(5): k.add(kg / 5, 62, r.uniform(60, 110), 6.0, draw=(k.m - m) if k.m > m * 1.3 else 0); k.run(r.uniform(40, 100))
    k.offs.append((st, k.t, to)); k.after_heat(to, st, k.t); k.out(15); k.settle(10); k.draw()
def uncooked(k, r):
    start(k, r); k.warm(T0(r)); k.settle_heat()
    if r.random() < 0.5: k.ripen(40)
    k.set(55); k.cut(15, stir=None); k.draw()
def wheycheese(k, r, boil=None):
    start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(28); k.cut(10); k.cook(r.uniform(38, 42), r.uniform(0.4, 0.8))
    k.out(12); k.settle(6); k.draw(9, last=False); k.whey(boil or r.uniform(82, 88), r.uniform(0.9, 1.6), 15)
def tiny(k, r): k.size(r.uniform(12, 25)); k.source = "gas"; easy(k, r, rate=r.uniform(0.4, 0.9))
def tinywood(k, r): k.size(r.uniform(15, 30)); k.source, k.off_way = "wood", "embers"; easy(k, r, r.uniform(48, 52), r.uniform(0.6, 1))
def huge(k, r):
    k.size(k.K.uniform(2500, 6000)); k.source, k.off_way = "steam", "stays"; k.embers = (0.3, 130); k.sigma *= 0.7
    easy(k, r, r.uniform(44, 53), r.uniform(0.3, 0.6), outm=40)
def electric(k, r, hotter=None):
    K = k.K; k.size(K.uniform(50, 300)); k.jacketed(K.uniform(0.2, 0.35), K.uniform(40, 80)); k.hotter = hotter or K.uniform(8, 14)
    easy(k, r, rate=0.3)
def bathslow(k, r, w=15): k.size(k.K.uniform(50, 150)); k.jacketed(0.35, w); k.hotter = 6 + w / 15; easy(k, r, r.uniform(37, 40), 0.12)
def bath25(k, r): bathslow(k, r, 25)
def bath35(k, r): bathslow(k, r, 35)
def bath50(k, r): bathslow(k, r, 50)
def thermostat(k, r):
    k.size(k.K.uniform(50, 200)); k.jacketed(0.2, 50)
    def keep(T, sec):                            # two-point control by the milk, jacket swings
        end = k.t + sec
        while k.t < end:
            k.jacket[2] = T + 8 if k.core < T - 0.15 else (None if k.core > T + 0.1 else k.jacket[2]); k.run(5)
        k.jacket[2] = None
    start(k, r); T = T0(r); k.warm(T); k.settle_heat(); k.began("ripening"); k.planned("ripening", minutes=40, optional=True)
    k.stir = False; keep(T, k.about(40)); k.set(35); k.cut(12); to = r.uniform(38, 42); k.cook(to, 0.3)
    k.planned("stirring", minutes=25); k.stir = True; keep(to, k.about(25)); k.settle(6); k.draw()
def twomilkings(k, r):
    full = k.m; k.m = full * 0.5; start(k, r); k.hang(); k.wait(r.uniform(5, 20))
    k.began("any"); k.add(full * 0.5, r.uniform(31, 34), 180); k.wait(r.uniform(2, 8)); k.warm(T0(r)); k.settle_heat(); body(k, r, r.uniform(38, 45), r.uniform(0.3, 0.6))
def fromcow(k, r):
    k.core = k.outer = k.wall = r.uniform(33, 35); start(k, r); k.hang(); k.began("any"); k.stir = True; k.wait(r.uniform(3, 8))
    k.set(35); k.cut(12); k.cook(r.uniform(38, 42), 0.4); k.out(20); k.settle(6); k.draw()
    k.plan.insert(0, ("warming", dict(to=34, optional=True)))
def overnight(k, r):
    full = k.m; k.m *= 0.55; k.core = k.outer = k.wall = r.uniform(26, 33); k.air, k.every = r.uniform(8, 13), 2
    start(k, r); k.hang(); k.began("any"); k.stir = True; k.wait(2); k.stir = False; k.wait(r.uniform(540, 660))
    k.add(full * 0.45, r.uniform(31, 34), 240); k.wait(3); k.warm(T0(r)); k.settle_heat(); body(k, r, r.uniform(39, 45), 0.45)
def thermise(k, r):
    start(k, r); k.warm(r.uniform(62, 66), 1.4); k.run(r.uniform(20, 200)); k.began("any"); T = T0(r)
    k.stir = True                                # cold water in the jacket
    while k.core > T: k.core += (8 - k.core) * 0.0009; k.step()
    k.wait(r.uniform(2, 10)); body(k, r, r.uniform(38, 42), 0.4)
def lactic(k, r):
    k.every, k.air = 5, r.uniform(13, 16); k.breath = 0.4; k.size(r.uniform(40, 150)); start(k, r); k.warm(r.uniform(20, 22), 0.5); k.settle_heat()
    k.began("setting"); k.planned("setting", minutes=20 * 60); k.stir = False; k.wait(240); k.body = "gel"; k.wait(r.uniform(14, 20) * 60)
    k.draw()
def acidset(k, r):
    start(k, r); to = r.uniform(84, 88); k.warm(to, r.uniform(1, 1.8)); k.began("any"); k.planned("settling", minutes=15)
    k.run(60); k.stir = False; k.core -= 0.4; k.wait(r.uniform(10, 20)); k.place = "air"; k.wait(25)
def yoghurt(k, r):
    k.size(r.uniform(20, 100)); start(k, r); k.warm(r.uniform(86, 90), 1.5); k.began("any"); k.wait(5); k.stir = True
    while k.core > 43: k.core += (9 - k.core) * 0.0007; k.step()
    k.stir = False; k.planned("setting", minutes=240); k.breath = 0.3; k.body = "gel"; k.wait(r.uniform(200, 300)); k.place = "air"; k.wait(25)
def relit(k, r):
    start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(32); k.cut(12); to, rate = r.uniform(40, 44), r.uniform(0.35, 0.6)
    k.began("cooking"); k.planned("cooking", to=to, minutes=20); st = k.t; k.want, k.stir = rate, True; mid = k.core + (to - k.core) * r.uniform(0.3, 0.7)
    k.run(until=lambda: k.core > mid); k.want = 0; k.run(r.uniform(240, 600))
    off = k.heat_to(to, rate, hear=True); k.after_heat(to, st, off); k.out(20); k.settle(6); k.draw()
def lifts3(k, r, one=False):
    start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(32); k.cut(12); to = r.uniform(44, 48); a, b = to - 8, to - 4; rate = r.uniform(0.3, 0.6)
    hold = r.uniform(240, 600)
    if one: k.planned("cooking", to=to, minutes=40)
    k.began("cooking")
    for x in (a, b):
        if one and k.sink:                       # nothing is called for a hold that stands in no plan
            k.want, k.stir = rate, True; k.run(until=lambda: k.core > x - 0.3); k.want = 0
        else: k.cook(x, rate, last=False, plan=not one, begin=False)
        k.stir = True; k.run(hold)
    k.cook(to, rate, plan=not one, begin=False); k.out(15); k.settle(6); k.draw()
def lifts1(k, r): lifts3(k, r, True)
def coldwash(k, r):
    start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(32); k.cut(12); k.cook(r.uniform(38, 39.5), 0.4); k.out(20)
    T = r.uniform(20, 27); m = k.m * 0.7; kg = m * (k.core - T) / (T - 9); k.add(kg, 9, r.uniform(240, 600), draw=k.m - m); k.stir = True; k.wait(r.uniform(10, 20)); k.settle(8); k.draw()
def breaks(k, r):
    start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(32); k.cut(12); to, rate = r.uniform(40, 46), 0.4
    k.began("cooking"); k.planned("cooking", to=to, minutes=22); st = k.t; k.want, k.stir = rate, True
    for x in (0.3, 0.65):
        m = k.core + (to - k.core) * x; k.run(until=lambda: k.core > m); k.stir = False; k.run(r.uniform(30, 75)); k.stir = True
    off = k.heat_to(to, rate, hear=True); k.after_heat(to, st, off); k.planned("stirring", minutes=25); k.stir = True
    for _ in range(3): k.run(r.uniform(200, 500)); k.stir = False; k.run(r.uniform(40, 150)); k.stir = True
    k.run(200); k.settle(8); k.draw()
def underwhey(k, r):
    start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(32); k.cut(12); k.cook(r.uniform(38, 44), 0.4); k.out(15); k.settle(35)
    k.draw()
def otherkettle(k, r):
    def visit(T):
        k.place = "air"; k.run(r.uniform(8, 20)); k.place = lambda t: T; k.run(r.uniform(120, 500)); k.place = "air"; k.run(r.uniform(8, 20)); k.place = "milk"
    start(k, r); k.warm(T0(r)); k.settle_heat(); when = r.choice("so")
    k.set(15 if when == "s" else 35)
    if when == "s": visit(r.choice([12, 25, 38])); k.run(k.about(15)); k.plan[-1] = ("setting", dict(minutes=35))
    k.cut(12); k.cook(r.uniform(39, 44), 0.4); k.planned("stirring", minutes=25); k.run(300)
    if when == "o": visit(r.choice([14, 30, 34]))
    k.run(k.about(18)); k.settle(6); k.draw()
def near(k, r, what=None):                       # at 1 to 2 degrees before the end: a long lift, a gap, a stop of stirring
    start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(32); k.cut(12); to, rate = r.uniform(40, 52), r.uniform(0.4, 0.7)
    k.began("cooking"); k.planned("cooking", to=to, minutes=(to - k.core) / rate); st = k.t; k.want, k.stir = rate, True; m = to - r.uniform(1, 2)
    k.run(until=lambda: k.core > m)
    if what == "gap": k.gap_until = k.t + r.uniform(60, 150)
    else: k.lift_until = k.t + r.uniform(40, 58)
    off = k.heat_to(to, rate, hear=True); k.after_heat(to, st, off); k.out(20); k.settle(6); k.draw()
def neargap(k, r): near(k, r, "gap")
def swing(k, r):                                 # regulated by swinging the kettle off and on
    start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(32); k.cut(12); to = r.uniform(41, 50); k.off_way = "crane"; k.source = "wood"
    k.began("cooking"); k.planned("cooking", to=to, minutes=30); st = k.t
    while k.core < to - 2.5: k.want, k.stir, k.rise = 0.8, True, 1.0; k.run(r.uniform(90, 200), until=lambda: k.core > to - 2); k.want = 0; k.run(r.uniform(45, 110))
    off = k.heat_to(to, 0.8, hear=True); k.after_heat(to, st, off); k.out(20); k.settle(6); k.draw()
def stepcook(k, r):                              # a degree or two every few minutes, electric
    k.source = "gas"; start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(32); k.cut(12); to = r.uniform(38, 42)
    k.began("cooking"); k.planned("cooking", to=to, minutes=45); st = k.t
    while k.core < to - 1.6: m = k.core + r.uniform(1, 1.5); k.want, k.stir = 0.5, True; k.run(until=lambda: k.core > m); k.want = 0; k.run(r.uniform(180, 420))
    off = k.heat_to(to, 0.5, hear=True); k.after_heat(to, st, off); k.out(20); k.settle(6); k.draw()
def piled(k, r):                               # whey run off, curd piled: the probe in the curd for two hours
    start(k, r); k.warm(r.uniform(30, 32)); k.settle_heat(); k.ripen(40); k.set(35); k.cut(15); k.cook(r.uniform(38, 40), 0.22); k.out(40); k.settle(15)
    k.m *= 0.4; k.body = "gel"; k.wait(r.uniform(80, 120)); k.draw()
def overwarm(k, r):                              # warmed too far, left to cool, then renneted
    start(k, r); T = T0(r); k.warm(T); k.plan[-1] = ("warming", dict(to=T)); k.want = 1.0; k.run(until=lambda: k.core > T + r.uniform(2, 4)); k.want = 0
    k.stir = True; k.add(k.m * 0.12, 9, 90); k.run(until=lambda: k.core < T + 0.3, most=1500); body(k, r, r.uniform(38, 44), 0.4)
def target(k, r):                                # the maker changes his mind during the cook
    start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(32); k.cut(12); to, rate = r.uniform(41, 44), 0.4
    k.began("cooking"); k.planned("cooking", to=to, minutes=25); st = k.t; k.want, k.stir = rate, True; m = k.core + 3; k.run(until=lambda: k.core > m)
    new = to + r.choice([-2.5, 3]); k.send(f'mark,kettle=kettle name="target",celsius={new:.2f} {int(k.t * 1000)}000000')
    off = k.heat_to(new, rate, hear=True); k.after_heat(new, st, off); k.out(20); k.settle(6); k.draw()
def shortset(k, r): easy(k, r, r.uniform(45, 52), 0.9, setm=9, cutm=6, outm=6, settle=3)
def late(k, r, at=None):
    at = at or r.choice(["set", "cut"]); start(k, r, 20); k.core = k.outer = k.wall = T0(r); k.body = "gel"
    if at == "set": k.hang(); k.began("setting"); k.run(k.about(20)); k.began("cutting"); k.body = "curd"; k.mixcut(k.about(12), True)
    else: k.body = "curd"; k.stir = True; k.hang(); k.began("cutting"); k.run(k.about(9))
    k.plan = [("warming", dict(to=33)), ("setting", dict(minutes=35)), ("cutting", dict(minutes=12))]
    k.cook(r.uniform(39, 45), r.uniform(0.35, 0.6)); k.out(20); k.settle(6); k.draw()
def every10(k, r): k.every = 10; easy(k, r, r.uniform(39, 50))
def quarter(k, r): k.quant = 0.25; k.every = r.choice([1, 2, 5]); easy(k, r, r.uniform(39, 50))
def backtoback(k, r):
    easy(k, r, r.uniform(38, 42)); n = len(k.plan); k.core = k.outer = k.wall = r.uniform(9, 15); k.body = "milk"; k.size(k.litres)
    easy(k, r, r.uniform(38, 42)); k.plan = k.plan[:n]
def powercut(k, r):
    start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(32); k.cut(12); to, rate = r.uniform(40, 46), 0.4; where = r.choice("co")
    k.began("cooking"); k.planned("cooking", to=to, minutes=22); st = k.t; k.want, k.stir = rate, True; m = k.core + (to - k.core) * 0.4
    k.run(until=lambda: k.core > m)
    if where == "c": k.gap_until = k.t + r.uniform(120, 420)
    off = k.heat_to(to, rate, hear=True); k.after_heat(to, st, off); k.planned("stirring", minutes=25); k.run(240)
    if where == "o": k.gap_until = k.t + r.uniform(120, 900)
    k.run(k.about(18)); k.settle(6); k.draw()
def high(k, r): k.altitude = 2400; k.air = 8; wheycheese(k, r, r.choice([88, 90]))
def stretched(k, r):
    start(k, r); k.warm(r.uniform(36, 37.5)); k.settle_heat(); k.set(15); k.cut(8); to = 39.5
    k.began("cooking"); k.planned("cooking", to=to, minutes=8); st = k.t; k.stir = True
    m = k.m; kg = m * (to - k.core) / (78 - to) * 1.05
    for _ in range(3): k.add(kg / 3, 78, 70, 5.0); k.run(60)
    k.offs.append((st, k.t, to)); k.after_heat(to, st, k.t); k.planned("stirring", minutes=5); k.run(r.uniform(120, 400)); k.settle(180); k.draw()
def coolset(k, r): k.air, k.breath = 7, 1.6; k.size(r.uniform(40, 90)); easy(k, r, ripen=False, setm=50)
def fast(k, r): k.size(r.uniform(40, 120)); k.source = "gas"; easy(k, r, r.uniform(46, 53), r.uniform(1.3, 2.0))
def short(k, r):
    start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(32); k.cut(12); to = r.uniform(41, 46); k.cook(to, 0.45, off_at=to - r.uniform(1.5, 2.5)); k.out(20); k.settle(6); k.draw()
def saved(k, r):
    start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(32); k.cut(12); to = r.uniform(39, 44); st, off = k.cook(to, 0.5, off_at=to + 1.4, last=False)
    k.after_heat(to, st, off); k.add(k.m * 0.07, 10, 60); k.out(20); k.settle(6); k.draw()
def motor(k, r): k.sigma, k.quant = 0.35, 0.01; k.size(r.uniform(300, 1200)); k.source = "gas"; easy(k, r, r.uniform(40, 52))
def rinse(k, r):
    start(k, r); k.core = k.outer = k.wall = r.uniform(55, 75); k.hang(); k.began("any"); k.wait(r.uniform(3, 10)); k.place = "air"; k.wait(r.uniform(3, 8))
    k.core = k.outer = k.wall = r.uniform(9, 14); easy(k, r)
def wash(k, r):
    easy(k, r); k.place = "milk"; k.core = k.outer = k.wall = 12; k.body = "milk"; k.m = k.litres * 0.2; k.began("any"); k.stir = False; k.want = 1.5; k.run(until=lambda: k.core > 65); k.want = 0; k.wait(5); k.place = "air"; k.wait(25)
def lightfire(k, r):                             # probe hangs in cold milk long before the fire is lit
    start(k, r); k.hang(); k.began("any"); k.wait(r.uniform(10, 40)); k.warm(T0(r), r.uniform(0.3, 0.6)); k.settle_heat(); body(k, r, r.uniform(38, 42), 0.4)
def stillwarm(k, r):                             # warmed without stirring, stirred at the end
    start(k, r); T = T0(r); k.hang(); k.began("warming"); k.planned("warming", to=T); k.heat_to(T - 1, 0.8, stir=False); k.settle_heat(); body(k, r, r.uniform(38, 42), 0.4)
def slowfire(k, r): k.off_way, k.source, k.embers = "embers", "wood", (0.45, 420); easy(k, r, r.uniform(40, 46), r.uniform(0.3, 0.5))
def nostir(k, r):                                # cooked without much stirring: soft goat, curd turned by hand
    k.sigma *= 0.5; k.quant = 0.01; start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(40); k.cut(10); k.cook(r.uniform(36, 38), 0.2); k.out(10); k.settle(15); k.draw()

def topup(k, r):                                 # stopped short of the target, and after some minutes heated again
    k.off_way = "crane"; start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(32); k.cut(12); to = r.uniform(40, 50)
    k.began("cooking"); k.planned("cooking", to=to, minutes=25); st = k.t; k.want, k.stir = 0.5, True; m = to - k.r.uniform(0.5, 1.8)
    k.run(until=lambda: k.core > m); k.want = 0; k.run(r.uniform(120, 420))
    off = k.heat_to(to, 0.5, hear=True); k.after_heat(to, st, off); k.out(20); k.settle(6); k.draw()
def cowhard(k, r):                               # milk warm from the cow, no warming at all, then a steep cook
    k.core = k.outer = k.wall = r.uniform(33, 35); start(k, r); k.hang(); k.began("any"); k.stir = True; k.wait(r.uniform(2, 4))
    k.set(30); k.cut(12); k.cook(r.uniform(38, 40), r.uniform(1.0, 1.5)); k.out(20); k.settle(6); k.draw()
def scalded(k, r, to=63.5, hold=30):             # scalded in the kettle itself, cooled by the jacket, then a make
    start(k, r); k.warm(to, 1.3); k.began("any"); k.stir = True; e = k.t + hold * 60
    while k.t < e: k.want = 0.3 if k.core < to else 0; k.run(10)
    k.want, T = 0, T0(r)
    while k.core > T: k.core += (8 - k.core) * 0.0009; k.step()
    k.wait(r.uniform(2, 10)); body(k, r, r.uniform(38, 42), 0.4)
def scalded72(k, r): scalded(k, r, 72.5, 1)
def scalded85(k, r): scalded(k, r, 85, 5)
def acid75(k, r):
    start(k, r); k.warm(75, r.uniform(1, 1.8)); k.began("any"); k.planned("settling", minutes=15)
    k.run(60); k.stir = False; k.core -= 0.4; k.wait(r.uniform(10, 20)); k.place = "air"; k.wait(25)
def slowwhey(k, r):
    start(k, r); k.warm(T0(r)); k.settle_heat(); k.set(28); k.cut(10); k.cook(r.uniform(38, 42), r.uniform(0.4, 0.8))
    k.out(12); k.settle(6); k.draw(9, last=False); k.whey(r.uniform(82, 88), r.uniform(0.35, 0.5), 15)
def latecut(k, r): late(k, r, "cut")
def latemark(k, r):                              # the same, and the maker marks the heat
    start(k, r, 20); k.core = k.outer = k.wall = T0(r); k.body = "curd"; k.stir = True; k.marking = True; k.hang(); k.began("cutting"); k.run(k.about(9))
    k.plan = [("warming", dict(to=33)), ("setting", dict(minutes=35)), ("cutting", dict(minutes=12))]
    k.mark("heat-on"); k.cook(r.uniform(39, 45), r.uniform(0.35, 0.6)); k.out(20); k.settle(6); k.draw()
def jacket(k, r):                                # a thin double wall, steep: the after-heat of the steam kettles
    k.size(k.K.uniform(80, 300)); k.jacketed(k.K.uniform(0.08, 0.14), 120); k.hotter = k.K.uniform(16, 24); easy(k, r, rate=0.3)

KINDS = {f.__name__: f for f in (semi, hard, washed, uncooked, twostep, wheycheese, tiny, tinywood, huge, electric, bathslow, bath25, bath35, bath50, thermostat,
    twomilkings, fromcow, overnight, thermise, lactic, acidset, yoghurt, relit, lifts3, lifts1, coldwash, breaks, underwhey, otherkettle,
    late, every10, quarter, backtoback, powercut, high, stretched, coolset, fast, short, saved, motor, rinse, wash, lightfire, stillwarm, slowfire, nostir,
    near, neargap, swing, stepcook, piled, overwarm, target, shortset, topup, cowhard, slowwhey, scalded, scalded72, scalded85, acid75, latecut, latemark, jacket)}
