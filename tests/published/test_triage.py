"""Bayes' rule and information gain against published examples."""

import pytest

from scheduler.catalogue import Catalogue, Caution, EquipmentKind, Fault, Symptom
from scheduler.machines import Build
from scheduler.triage import information_gain_bits, triage


def test_screening_example_of_eddy() -> None:
    # D. M. Eddy, "Probabilistic reasoning in clinical medicine", in Kahneman, Slovic and Tversky,
    # "Judgment under uncertainty", 1982: 1 % have the disease, the test finds 79.2 % of them and
    # wrongly 9.6 % of the others; a positive test means 7.7 %. From memory.
    faults = {
        fault: Fault(id=fault, name=fault, per_machine_year=rate, minutes=10, source="a test")
        for fault, rate in {"diseased": 0.01, "healthy": 0.99}.items()
    }
    positive = Symptom(
        id="positive",
        name="Positive",
        question="Positive?",
        likelihoods={"diseased": 0.792, "healthy": 0.096},
        background=0.5,
    )
    catalogue = Catalogue(
        skills={},
        part_types={},
        rules={},
        set_points={},
        access_steps={},
        cautions={"burrs": Caution(id="burrs", text="Sharp.")},
        faults=faults,
        symptoms={"positive": positive},
        positions=(),
        thermals=(),
    )
    grinder = Build(kind=EquipmentKind.GRINDER)
    finding = triage(["positive"], "", grinder, 5.0, catalogue)
    posterior = {likely.fault: likely.probability for likely in finding.likely_faults}
    assert posterior["diseased"] == pytest.approx(0.077, abs=0.0005)


@pytest.mark.parametrize(
    ("yes_given_play", "yes_given_rest", "gain"),
    [
        (3 / 9, 4 / 5, 0.151),  # humidity is high
        (3 / 9, 3 / 5, 0.048),  # it is windy
    ],
)
def test_information_gain_of_quinlan(
    yes_given_play: float, yes_given_rest: float, gain: float
) -> None:
    # J. R. Quinlan, "Induction of decision trees", Machine Learning 1, 1986: 14 mornings, 9 of them
    # of class P; gain of humidity 0.151 bits, of windy 0.048 bits. From memory.
    assert information_gain_bits(
        {"P": 9 / 14, "N": 5 / 14}, {"P": yes_given_play, "N": yes_given_rest}
    ) == pytest.approx(gain, abs=0.001)
