"""What would narrow an interval, said for the campaign at hand."""

from __future__ import annotations

from wallsim.build import Campaign, Firing
from wallsim.estimate.unknowns import gas_family

_ALWAYS = {
    "conductivity of the wall": "a certificate or a measurement of the metal's conductivity",
    "heat capacity of the wall": "weigh the tube; a certificate of the metal",
    "thermocouple lead loss": "check the junctions in place against a known temperature",
    "thermocouple lag": "thinner junctions, or a step test of each",
    "thermocouple position": "measure the stations",
    "heating round the tube": "further thermocouples round the tube at the same stations",
    "ignition ramp": "log the pressure faster",
    "purge after shutdown": "measure the purge flow",
    "emissivity": "measure or paint the outside",
    "outside convection": "shield the tube from draughts",
    "head end": "insulate the head end",
    "exit end": "insulate the exit end",
}


def advice(cause: str, campaign: Campaign, blend: str) -> str:
    """Return what to do about ``cause``, which widens the resistance of ``blend``; may be empty.

    Parameters
    ----------
    cause : str
        Group of unknowns, as `variance_shares` names it.
    """
    case = campaign.case
    if cause.startswith("firing-to-firing"):
        return _repeat(campaign, blend)
    if cause.startswith("gas-side coefficient of"):
        return _coefficient(campaign, blend)
    if cause == "gas temperature, shared":
        return _gas_temperature(campaign, blend)
    if cause.startswith("gas temperature of"):
        return "tell its gas temperature from the others' better: own_error in the case file"
    if cause == "wall thickness":
        return f"measure the wall (stated to {1e3 * case.tube.wall.sd:.2g} mm)"
    if cause == "ignition time":
        return (
            "log pressure and thermocouples on one clock, faster, or record the igniter; then "
            f"state ignition_offset by it (now to {case.fit.ignition_offset.sd:.2g} s)"
        )
    if cause == "pressure exponent":
        mean = [f.events.plateau for f in _of(campaign, blend)]
        return f"a bare firing at {1e-5 * sum(mean) / len(mean):.2f} bar abs, as {blend}"
    if cause == f"growth law of {blend}":
        burns = sorted({f"{f.burn:.1f}" for f in _of(campaign, blend)}, key=float)
        return f"a firing of {blend} shorter or longer than {', '.join(burns)} s"
    return next((text for key, text in _ALWAYS.items() if cause.startswith(key)), "")


def _of(campaign: Campaign, blend: str) -> list[Firing]:
    return [f for f in campaign.firings if f.blend.name == blend]


def _bare(campaign: Campaign, blend: str | None = None) -> list[Firing]:
    """Return the firings of a bare bore, of the fuel of ``blend`` only where one is given."""
    bare = list(campaign.bare)
    if blend is None:
        return bare
    family = gas_family(campaign.case, blend)
    return [f for f in bare if gas_family(campaign.case, f.blend.name) == family]


def _repeat(campaign: Campaign, blend: str) -> str:
    """Return which firings to repeat: the fewer of the two kinds scatter more in the mean."""
    dosed, bare = len(_of(campaign, blend)), len(_bare(campaign))
    so_far = f"(so far {dosed} of {blend}, {bare} bare)"
    if dosed < bare:
        return f"repeat {blend} {so_far}"
    return f"repeat the bare firing {so_far}" if bare < dosed else f"repeat both {so_far}"


def _gas_temperature(campaign: Campaign, blend: str) -> str:
    sd = campaign.case.blends[blend].gas_temperature.sd
    text = f"measure or calculate the gas temperature better (stated to {sd:.0f} K)"
    return text if _bare(campaign, blend) else f"{text}, or fire the fuel of {blend} undosed"


def _coefficient(campaign: Campaign, blend: str) -> str:
    percent = 100.0 * campaign.case.blends[blend].coefficient.relative_sd
    if _bare(campaign, blend):
        return f"narrow the coefficient stated for {blend} (to {percent:.2g} % now)"
    return f"fire the fuel of {blend} undosed (its coefficient is stated to {percent:.2g} %)"
