"""Owns the settings file of the fortnight that the pages' tests show."""

SETTINGS = """
[site]
name = "Lapwing"
latitude = 47.58
longitude = -2.90
timezone = "Europe/Paris"
moored = "swinging"

[store]
path = "lapwing.db"

[[array]]
name = "cabin"
controller = "cabin"
modules_in_series = 2
strings_in_parallel = 2
tilt = 3
azimuth = 180
mounting = "gap"
module = { power = 175, voc = 24.3, isc = 9.2, vmp = 20.2, imp = 8.67 }

[[array]]
name = "gantry"
controller = "gantry"
modules_in_series = 3
strings_in_parallel = 1
tilt = 10
azimuth = 180
mounting = "rack"
module = { power = 175, voc = 24.3, isc = 9.2, vmp = 20.2, imp = 8.67 }

[[cable]]
name = "cabin home run"
carries = "array.cabin"
length = 6.5
area = 4.0

[[cable]]
name = "gantry home run"
carries = "array.gantry"
length = 11
area = 4.0

[[cable]]
name = "cabin to bank"
carries = "controller.cabin"
length = 1.8
area = 10

[[controller]]
name = "cabin"
enclosure = "electrics"
output_current_limit = 30

[[controller]]
name = "gantry"
enclosure = "electrics"
output_current_limit = 20

[bank]
name = "house"
chemistry = "agm"
nominal_voltage = 24
capacity_ah = 220

[[enclosure]]
name = "electrics"
temperature_limit = 50
surroundings = "air.cabin"

[[fan]]
name = "electrics"
enclosure = "electrics"
watts = 1.6

[[source]]
name = "history"
kind = "csv"
path = "inbox/*.csv"
time = { field = "time", zone = "UTC", label = "start", interval_s = 60 }
[[source.channel]]
field = "box"
channel = "enclosure.electrics.temperature"
"""
