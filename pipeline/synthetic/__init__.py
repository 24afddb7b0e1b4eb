"""Simulated flights with known truth, for the demo and the tests."""

from pipeline.synthetic.faults import FAULTS, with_faults
from pipeline.synthetic.flight import make_flight, true_positions, true_reflectance
from pipeline.synthetic.plan import PANELS, Cloud, FlightPlan, Gap, PanelPlan, Swing
from pipeline.synthetic.truth import PanelTruth, Truth

__all__ = [
    "FAULTS",
    "PANELS",
    "Cloud",
    "FlightPlan",
    "Gap",
    "PanelPlan",
    "PanelTruth",
    "Swing",
    "Truth",
    "make_flight",
    "true_positions",
    "true_reflectance",
    "with_faults",
]
