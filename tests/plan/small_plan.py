"""A small plan: a short thick tube of constant-ish steel, one bare and one dosed kind of firing."""

TEXT = """\
title = "small"
[tube]
material = "carbon steel"
bore = "20 mm"
wall = "4 mm"
length = "80 mm"
outside = { ambient = "20 degC" }
[thermocouple]
lag = "0.05 s +- 50 %"
lead_loss = "2 % +- 1 %"
noise = "0.4 K"
wander = "0.3 K"
memory = "0.3 s"
[plan]
want = ["R of dosed", "h"]
thermocouples = 3
most = 4
apart = "15 mm"
keep_out = [["0 mm", "5 mm"], ["75 mm", "80 mm"]]
goal = "20 %"
[blend.neat]
gas_temperature = "2000 K +- 60 K"
[blend.dosed]
like = "neat"
deposit = { growth = "linear", resistance = "1.5e-4 m^2*K/W +- 150 %" }
[[run]]
name = "bare"
blend = "neat"
burn = "4 s"
pressure = "5 bar"
cool_down = "6 s"
repeats = 2
[[run]]
name = "with"
blend = "dosed"
burn = "4 s"
pressure = "5 bar"
cool_down = "6 s"
[fit]
coefficient = "1500 W/m^2/K +- 100 %"
tolerance = "1 K"
limit_temperature = "1100 K"
"""


def write(folder, **changes):
    """Write the plan with some text replaced; return its path."""
    text = TEXT
    for old, new in changes.values():
        assert old in text, old
        text = text.replace(old, new)
    path = folder / "case.toml"
    path.write_text(text)
    return path
