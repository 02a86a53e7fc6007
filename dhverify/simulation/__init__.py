"""Invented doubled-haploid programmes with known truth.

The simulator shares no code with the rooms that judge lines, so that a test on its programmes cannot agree
with itself.
"""

from __future__ import annotations

from dhverify.simulation.command import simulate_to_directory
from dhverify.simulation.genome import MAIZE_CHROMOSOMES, SEVEN_CHROMOSOMES, Chromosome, Genome
from dhverify.simulation.programme import (
    SimulatedMarkers,
    SimulatedProgramme,
    settings_genome,
    simulate_programme,
)
from dhverify.simulation.settings import Distortion, SimulationSettings
from dhverify.simulation.writing import write_programme

__all__ = [
    "MAIZE_CHROMOSOMES",
    "SEVEN_CHROMOSOMES",
    "Chromosome",
    "Distortion",
    "Genome",
    "SimulatedMarkers",
    "SimulatedProgramme",
    "SimulationSettings",
    "settings_genome",
    "simulate_programme",
    "simulate_to_directory",
    "write_programme",
]
