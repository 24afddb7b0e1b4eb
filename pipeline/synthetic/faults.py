"""Named faults: each turns a plan into one that differs in what the name says and nothing else."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

from pipeline.synthetic.plan import Cloud, FlightPlan, Gap, PanelPlan


def _brightest(plan: FlightPlan) -> str:
    return max((p for p in plan.panels if p.use == "fit"), key=lambda p: p.reflectance).name


def _middle(plan: FlightPlan) -> str:
    fit = sorted((p for p in plan.panels if p.use == "fit"), key=lambda p: p.reflectance)
    return fit[len(fit) // 2].name


def _panel(plan: FlightPlan, name: str, **changes: Any) -> FlightPlan:
    """The plan with one panel changed."""
    panels: list[PanelPlan] = [
        replace(panel, **changes) if panel.name == name else panel for panel in plan.panels
    ]
    return replace(plan, panels=tuple(panels))


def _gap(plan: FlightPlan) -> FlightPlan:
    return replace(plan, gaps=(*plan.gaps, Gap(plan.cubes - 1, plan.lines * 2 // 3, 40)))


FAULTS: dict[str, Callable[[FlightPlan], FlightPlan]] = {
    # Exposure half as long again: the brightest panel clips where the sensor sees most.
    "saturated-panel": lambda plan: replace(plan, exposure_factor=1.5),
    "under-exposed": lambda plan: replace(plan, exposure_factor=0.35),
    "drifted-dark": lambda plan: replace(plan, dark_drift_counts=15.0),
    "single-dark": lambda plan: replace(plan, dark_drift_counts=15.0, dark_captures=("before",)),
    "light-leak": lambda plan: replace(plan, light_leak_counts=8.0),
    "gap": _gap,
    "shadowed-panel": lambda plan: _panel(plan, _brightest(plan), shadow=0.35),
    "tilted-panel": lambda plan: _panel(plan, _brightest(plan), light=1.04),
    "dirty-panel": lambda plan: _panel(plan, _brightest(plan), blue_loss=0.2),
    "wrong-certificate": lambda plan: _panel(plan, _middle(plan), certificate_factor=1.2),
    "falling-irradiance": lambda plan: replace(
        plan, irradiance_fall=0.12, illumination="irradiance log"
    ),
    "irradiance-steps": lambda plan: replace(
        plan,
        clouds=(Cloud(0.55, 0.7, 0.7), Cloud(0.85, 0.9, 0.8)),
        illumination="irradiance log",
    ),
    "two-passes": lambda plan: replace(plan, panel_passes=2),
    "wavelength-shift": lambda plan: replace(plan, wavelength_shift_nm=1.0),
    "smile": lambda plan: replace(plan, smile_nm=2.0),
}


#: What each fault is, for `--help`.
TOLD: dict[str, str] = {
    "saturated-panel": "exposure 1.5 times as long: the brightest panel saturates",
    "under-exposed": "exposure 0.35 times as long",
    "drifted-dark": "the dark signal rises by 15 counts from the first capture to the last",
    "single-dark": "as drifted-dark, and no dark capture after the strips",
    "light-leak": "up to 8 counts of light in the dark captures",
    "gap": "40 lines lost in the last strip",
    "shadowed-panel": "0.35 of the light on the first half of the brightest panel",
    "tilted-panel": "1.04 of the light on the brightest panel",
    "dirty-panel": "the brightest panel lost 20 % of its reflectance at 400 nm, less to the red",
    "wrong-certificate": "the middle panel's certificate is 1.2 times too high",
    "falling-irradiance": "irradiance falls by 12 % over the strips; calibrated by the log",
    "irradiance-steps": "clouds take 30 % and 20 % of the light for a while; calibrated by the log",
    "two-passes": "the last strip passes over the panels again",
    "wavelength-shift": "bands lie 1 nm higher than the headers say",
    "smile": "bands lie up to 1 nm lower and higher at the ends of the swath",
}


def with_faults(plan: FlightPlan, names: Iterable[str]) -> FlightPlan:
    """The plan with the named faults, applied in the order given.

    Raises
    ------
    ValueError
        For a name that is not in `FAULTS`, or a fault that the plan has no room for.
    """
    for name in names:
        if name not in FAULTS:
            raise ValueError(f"unknown fault {name!r}; known: {', '.join(sorted(FAULTS))}")
        plan = FAULTS[name](plan)
    return plan
