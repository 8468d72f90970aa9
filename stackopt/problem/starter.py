"""The commented file that `stackopt new` writes; a test solves it."""

STARTER = '''\
# A problem file for stackopt. Every quantity is a text "<number> <unit>"; shares are numbers or "10 %".
# The figures below are invented: put in those of your machine, then run: stackopt solve <this file>

title = "My drill head"

[fluid]
kind = "neat oil"             # neat oil | water mix | vanishing
# density = "0.92 g/mL"       # needed where doses or stroke volumes are written in g
# drop = "0.021 mL"           # needed where they are written in drops; count and weigh: it is never assumed
# viscosity = "38 mm^2/s"     # with viscosity_at = "40 degC": for [oil_line]

[generator]                   # the pulse generator that all pumps share
rate = { min = "4/min", max = "150/min", step = "1/min" }   # leave step out for a free dial
stroke_air = "0.01 L"         # drive air of one pump for one stroke, at ANR

[pumps.standard]
stroke_volume = "0.06 mL"     # output of one full stroke
marks = { "1" = 0.22, "2" = 0.58, "3" = 1.0 }   # output at each mark of the knob, as a share of the full stroke

[nozzles.small]               # air screw, line and nozzle together
turns = [0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0]       # turns from closed
flow = ["0 L/min", "11 L/min", "23 L/min", "34 L/min", "43 L/min", "49 L/min", "52 L/min"]

[air]
pressure = "6 bar"            # gauge, at the stack: what the flows above were measured with
capacity = "200 L/min"        # what the supply can give this machine, at ANR
# line = { length = "12 m", bore = "8 mm" }     # what lies between supply and stack; pressure is then before it

# A point is a nozzle and the pump that feeds it. Its window of air says where the spray neither sputters
# (too little air) nor fogs (too much). Few know it in L/mL: spray on corrugated cardboard (never on skin) at a few
# settings, note what you see in a CSV file (point, rate, mark, turns, seen = sputter, good or fog), and run:
# stackopt calibrate <this file> <that file>. Weighings (pump, mark, strokes, mass) give stroke volume and marks so.

[[point]]
name = "spindle 1"
dose = "12 mL/h"              # also mL/min, drop/min, g/h, mL/part ... while spraying
tolerance = "10 %"            # or an amount, "1.2 mL/h", or { below = "5 %", above = "15 %" }
pump = "standard"
nozzle = "small"
air_per_dose = { min = "150 L/mL", max = "400 L/mL" }
# air_flow = { min = "15 L/min", max = "80 L/min" }   # the same on the flow itself
# weight = 2                  # how much this point matters beside the others
# cut = { time = "8 s", strokes = 2 }                 # at least so many strokes in the shortest cut

[[point]]
name = "tap 1"
dose = "5 mL/h"
tolerance = "15 %"
pump = "standard"
nozzle = "small"
air_per_dose = { min = "150 L/mL", max = "400 L/mL" }

# What goes with the settings, each table as you need it:
# [oil_line]                  # how long an empty line takes to fill, and what it costs in pressure
# kind = "coaxial"            # or single
# length = "3 m"
# bore = "2 mm"
# [reservoir]
# sizes = ["0.5 L", "1 L"]
# refill_every = "40 h"       # of spraying time
# [room]                      # the airborne share is a guess until it is measured; needs a density
# airflow = "2000 m^3/h"
# airborne = "1 %"
# limit = "0.5 mg/m^3"        # local rules decide
# [energy]
# specific_power = "6.4 kW/(m^3/min)"
# price_per_kwh = 0.18
# hours = "2000 h"            # of work a year
# [weighing]                  # how many strokes to collect for a check; needs a density
# balance = "0.01 g"
'''
