"""The commented bench file that ``stallcurve init`` writes."""

from __future__ import annotations

TEMPLATE = """\
# A stallcurve bench: what stands on the table, what it may do, what is to be measured.
# The unit is in each key's name. As written it describes a virtual bench (port "sim://"), on which
# everything can be tried without hardware: stallcurve check FILE, then stallcurve run FILE.
# For a real bench change [motor] to [hot_end] to what you have, then [link] and [microphone].
#
# CAUTION. A run heats a nozzle to well above 200 C, for hours. It burns skin, can start a fire,
# gives off fumes and makes a pile of hot plastic. Software alone must never be what keeps it safe:
# see docs/safety.md, the maker's manual and local rules before heating anything.

[motor]
rated_current_a = 1.0        # per phase, RMS, as the data sheet rates it
holding_torque_nm = 0.13     # at the rated current, both phases on
# torque_table = [[0.2, 0.027], [0.6, 0.080], [1.0, 0.128]]   # measured instead: A RMS, N m
steps_per_turn = 200         # full steps: 200 for a 1.8 degree motor, 400 for 0.9 degree
resistance_ohm = 2.4         # of a phase; with inductance_mh and driver.supply_v
inductance_mh = 3.0          #   it gives the torque that is lost at speed
torque_tolerance = 0.10      # of the data sheet, half width, relative

[driver]
current_unit = "rms"         # what a set ampere means: "rms" or "peak"
supply_v = 24.0              # motor supply
microsteps = 16
# full_scale_a = 1.77        # with current_levels: the current really applied
# current_levels = 32
current_accuracy = 0.05      # half width, relative

[drive]
gear_ratio = "50:17"         # driven:driving teeth; several stages "50:17 40:20"; or a number
filament_per_turn_mm = 22.5  # per turn of the drive gear: measure it under light load
# effective_diameter_mm = 7.16    # instead of filament_per_turn_mm
filament_per_turn_tolerance = 0.02    # half width, relative; 2 % is common practice, for the teeth
                             #   sink in; less only if measured over many turns under load
efficiency = 0.88            # of all gear stages together
# grip_limit_n = 140.0       # force at which the drive gear starts to grind, if you know it

[filament]
name = "house PLA, grey"
material = "PLA"
diameter_mm = 1.75           # measured
density_g_cm3 = 1.24
available_m = 60.0           # left on the spool

[hot_end]
name = "short brass"
nozzle_mm = 0.4
max_temperature_c = 260.0    # by the maker's manual; no plan may exceed it

[link]
port = "sim://"              # a device (/dev/serial/by-id/..., COM5) or any pyserial URL;
                             #   stallcurve check --list-ports shows what there is
baud = 115200
dialect = "numbered"         # or a dialect file of your own, see docs/dialects.md

[microphone]
device = "sim"               # name or index of an input (stallcurve check --list-microphones);
                             #   "none" only with an encoder
sample_rate_hz = 48000

# [encoder]                  # optional: a counter board that measures filament, docs/encoder.md
# port = "sim://harbour/encoder"
# baud = 115200
# counts_per_mm = 80.0

[limits]                     # a run never goes beyond any of these
max_current_a = 0.9          # in the driver's own unit
max_speed_mm_s = 20.0        # of the filament
max_hours = 10.0
max_filament_m = 40.0
pile_litre = 2.0             # loose pile that the room under the nozzle can take

[plan]
temperatures_c = [205.0, 220.0]
currents_a = [0.3, 0.4, 0.5, 0.6, 0.7, 0.8]   # in the driver's own unit, rising
start_speed_mm_s = 1.0       # of the first search
resolution = 0.03            # relative width of the bracket at which a search stops
repeats = 1
trial_length_mm = 30.0       # filament a trial; or steady_s = 4.0
"""
