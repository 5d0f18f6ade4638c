"""Results to data frames, and everything that starts from the columns of a data frame."""

from __future__ import annotations

from studykit.frames.design import Design
from studykit.frames.fits import BinaryFrameFit, FrameFit, FrameRows
from studykit.frames.means import MarginalMean, MeanContrast, MeanContrasts, Means, TermTest, TermTests
from studykit.frames.models import FrameModel, fit_binary_frame, fit_frame, model_from_frame
from studykit.frames.power import PowerPoint, SimulatedPower, simulated_power
from studykit.frames.reliability import RetestReliability, retest_reliability
from studykit.frames.rerandomised import FrameRerandomisation
from studykit.frames.summary import ModelSummary
from studykit.frames.tables import to_frame

__all__ = [
    "BinaryFrameFit",
    "Design",
    "FrameFit",
    "FrameModel",
    "FrameRerandomisation",
    "FrameRows",
    "MarginalMean",
    "MeanContrast",
    "MeanContrasts",
    "Means",
    "ModelSummary",
    "PowerPoint",
    "RetestReliability",
    "SimulatedPower",
    "TermTest",
    "TermTests",
    "fit_binary_frame",
    "fit_frame",
    "model_from_frame",
    "retest_reliability",
    "simulated_power",
    "to_frame",
]
