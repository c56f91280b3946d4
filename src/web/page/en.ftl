# English. One message a line; { $name } is put in. Another language is one
# more file with the same keys; tests/words.rs finds what is missing or unused.


# The sheet's head
kettle = Kettle
cheese = Cheese
lot = Lot
no-plan = no plan
temperature = Temperature
old-age = { $s } s old
old-age-min = { $min } min old
in-a-minute = In a minute
why = Why
why-old = No new reading
to-target = To { $target } °C
no-target = Target
stage-for = { $min } min so far
unsure = not sure yet
inferred = by the clock only

# What it counts down to
count-target = To { $target } °C
count-curd = Look at the curd
count-planned = Left by the plan
count-over = Over the plan
minutes = { $min } min
now-word = now

# What to do now
do-get-ready = Come to the kettle. Fire off in about { $min } min.
do-get-ready-soon = Come to the kettle. The fire goes off soon.
do-heat-off = Take the kettle off the fire now.
do-at-target = { $target } °C reached. Look at the grain.
do-over-target = Above { $target } °C. Stir, lid off, or a little cold whey.
do-at-limit = The limit is reached. Look at the kettle.
do-heat-slow = Heating too slowly. See to the fire.
do-heat-fast = Heating too fast. Make the fire smaller.
do-stirring-stopped = The stirring has stopped. Stir, or the curd mats.
do-milk-cold = The milk cools while it sets. Cover it, or warm it gently.
do-milk-warm = The stored milk is too warm. Cool it.
do-curd-check = Look at the curd now.
do-hold-done = The planned time is over. Your turn.
do-near-boil = Nearly boiling. Small fire, watch the rim.
do-probe-fault = The probe cannot be trusted. Use your own thermometer.
do-probe-silent = The probe is silent. Use your own thermometer.
do-store-fault = Readings are not being kept. Write times down by hand.
do-clock-unsure = The clock is not set. Look at the date in the setup.
do-no-number = No temperature to trust. Use your own thermometer.
do-heating = Keep the fire. It goes to { $target } °C.
do-heating-until = Keep the fire. Off in about { $min } min, at { $at }.
do-heating-stands = It does not rise to { $target } °C. See to the fire.
do-heating-there = { $target } °C is reached. Take the fire off if it is still on.
do-heating-near = Near { $target } °C. More heat only if you want more.
do-heating-called = Called. The kettle still gives a little, up to about { $target } °C.
do-setting-until = Let it stand. Look at the curd in { $min } min.
do-ripening-left = Let the milk ripen, { $min } min more by the plan.
do-stirring-left = Stir out, { $min } min more by the plan.
do-settling-left = Let it settle, { $min } min more by the plan.
do-whey-resting-left = Let the whey rest, { $min } min more by the plan.
do-stage-idle = Hang the probe in the milk. The sheet opens by itself.
do-stage-warming = Warm the milk and stir.
do-stage-ripening = Let the milk ripen.
do-stage-setting = Let it stand. Mark the first flocs when you see them.
do-stage-cutting = Cut and stir. Mark “Heat on” when the fire comes back.
do-stage-cooking = Keep the fire and stir.
do-stage-stirring = Stir out. Feel the grain.
do-stage-settling = Let the curd settle.
do-stage-drawing = Draw the curd. Mark “Lift” when it is out.
do-stage-whey-heating = Heat the whey. Stir until it nears its heat.
do-stage-whey-resting = Let the whey stand hot.

# Stages
stage-idle = Idle
stage-warming = Warming
stage-ripening = Ripening
stage-setting = Setting
stage-cutting = Cutting
stage-cooking = Cooking
stage-stirring = Stirring out
stage-settling = Settling
stage-drawing = Drawing
stage-whey-heating = Heating the whey
stage-whey-resting = Whey at rest

# Alarms
alarm-get-ready = Get ready
alarm-heat-off = Heat off
alarm-at-target = At the target
alarm-over-target = Too hot
alarm-heat-slow = Too slow
alarm-heat-fast = Too fast
alarm-stirring-stopped = Stir!
alarm-milk-cold = Milk cools
alarm-milk-warm = Milk warm
alarm-curd-check = Look at the curd
alarm-hold-done = Time is over
alarm-near-boil = Nearly boiling
alarm-probe-fault = Probe at fault
alarm-probe-silent = Probe silent
alarm-store-fault = Not recording
alarm-clock-unsure = Clock not set
take = Taken
taken = taken
not-taken-yet = still not taken
gone-not-taken = over, not taken
more-alarms = and { $n } more
shelve = Silent for 30 min
shelved = silent

# Health of a probe
health-good = good
health-failure = Failure
health-check-function = Being checked
health-out-of-specification = Doubtful
health-maintenance-required = Needs care
no-number = No number
trust-own = Use your own thermometer.

# Cut off
cut-off = Cut off
cut-off-since = No word from the dairy’s box for { $s } s.
waking = Asking the box…
not-taken = Not recorded: { $mark }. The box was restarted; press again.
failed-mark = Not recorded: { $mark }. { $why }

# Marks
marks = Marks
mark-rennet = Rennet in
mark-floc = Flocs seen
mark-cut = First cut
mark-heat-on = Heat on
mark-heat-off = Heat off
mark-wash = Wash water
mark-culture = Culture in
mark-acid = Acid in
mark-lift = Curd lifted
mark-ph = pH
mark-target = New target
mark-note = Note
undo = Undo
undone = Taken back
enter-ph = pH by your meter
enter-target = New target, °C
enter-note = What was seen or done
keep = Write it down
cancel = Leave it
less = less
more = more

# The sheet’s table
stages = The make
stage = Stage
planned = Planned
began = Began
took = Min
if-wanted = if wanted
left-out = left out
curve = Curve of the temperature
curve-empty = The curve begins with the first reading.
end-make = End the make
end-make-sure = End this make and close its lot?
choose-plan = Choose a plan

# Sound and screen
sound-asleep = Touch here: wake the sounds and hear them
sound-test = Hear the sounds
sound-get-ready = Get ready
sound-heat-off = Heat off
sound-fault = Something is wrong
sound-heard = I heard them
awake-no = This browser lets the screen sleep. Set its screen timeout to “never”.

# Menu and other pages
menu = Menu
close = Close
page-sheet = The make
page-lots = Lots
page-season = Season
page-plans = Plans
page-probes = Probes
page-setup = Setup
loading = …
nothing-yet = Nothing here yet.
no-kettle = No probe has spoken yet.
no-kettle-do = Clip the probe to the kettle and plug in its box.
lot-open = open
lot-closed = closed
lot-deviations = Deviations
lot-sheet = The make sheet
season-best = Best first
season-peak = Peak
season-over = Over target
season-length = Minutes
season-yield = Yield
lots-count = { $n } lots
plan-follow = Follow on { $kettle }
plan-none = Follow no plan
plan-edit = Change
plan-new = New plan
plan-save = Keep the plan
plan-delete = Throw away
plan-delete-sure = Throw this plan away?
plan-name = Name
plan-reaction = From the call until the heat is off, s
plan-tolerance = Good within ± °C
plan-ready = Get ready, min ahead
plan-to = to °C
plan-minutes = min
plan-band = ± °C
plan-points = Points: minute, °C
plan-optional = may be left out
plan-add-stage = Add a stage
plan-add-point = Add a point
plan-remove = Remove
plan-up = Earlier
plan-as-text = As text
plan-faults = The plan is not kept yet:
plan-kept = Kept.
probe-reading = Reads
probe-health = Health
probe-scatter = Scatter
probe-calibrated = Calibrated
probe-due = Due
probe-never = never calibrated
probe-how = Calibrate on the machine: curdtrace probe calibrate { $probe }
outlets = Where alarms go
outlet-well = well
outlet-failed = failed
outlets-test = Test them all
outlet-test = Test: outlet { $name } works.
outlet-broken = Outlet { $name } does not work. Look at the page.
setup-language = Language
setup-name = Your name, for marks
setup-look = Light
setup-look-auto = as the device
setup-look-day = day
setup-look-night = night
setup-pin = PIN for other devices
setup-pin-set = Set the PIN
setup-pin-is-set = A PIN is set.
setup-pin-none = No PIN is set: only this machine itself may command.
pin-ask = Type the dairy’s PIN
pin-wrong = That is not the PIN.
setup-clock = The box’s clock
clock-unsure = not to be trusted
