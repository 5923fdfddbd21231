"""Which resistor is asked for: dissipation V²/R from Ohm's law; test vectors of a source behind a capacitor."""

from __future__ import annotations

from analysis.card import Burden, BurdenBox, RadioCard
from drivers.reading import Coupling, Quantity
from logger.burdening import Burdening, Choice, StateReadings
from logger.settle import Settled

CARD = RadioCard(schema=1, id="set-1", points=("chassis",), nominal_mains="230 V", frequency="50 Hz")
BOX = BurdenBox(burden=(Burden(value="100 kohm", power="1 W", voltage="350 V", tolerance="1 %"),
                        Burden(value="1 Mohm", power="0.5 W", voltage="350 V", tolerance="1 %"),
                        Burden(value="10 kohm", power="2 W", voltage="350 V", tolerance="1 %"),
                        Burden(value="2 kohm")))  # fmt: skip


def settled(value: float | None) -> Settled:
    return Settled(quantity=Quantity.VOLTAGE, coupling=Coupling.AC, unit="V", value=value, scatter=0.0, band=0.1,
                   resolution=0.1, u=0.004 * (value or 0.0), range=None, first=0, last=4, elapsed=1.0)  # fmt: skip


def choose(alone: float | None, loaded: dict[str, float] | None = None, box: BurdenBox = BOX) -> Choice:
    burdening = Burdening(card=CARD, input_resistance=10e6, input_capacitance=0.0)
    across = {burden: settled(value) for burden, value in (loaded or {}).items()}
    return burdening.choose(StateReadings(alone=settled(alone), loaded=across, mains=230.0), box)


def test_below_the_limit_none_is_asked_for() -> None:
    assert choose(12.0).burden is None


def test_just_below_the_limit_the_highest_mains_can_still_make_one_needed() -> None:
    """28 V at 230 V are 30.8 V at 253 V: above 30 V."""
    assert choose(28.0).burden is not None


def test_the_largest_goes_first() -> None:
    first = choose(229.0)

    assert first.burden is not None and first.burden.value == "1 Mohm"


def test_a_hard_chassis_is_settled_by_the_largest_and_never_burns_the_smaller_ones() -> None:
    """230 V over 10 kΩ would be 5.3 W in a 2 W part: it is not asked for, whatever else is."""
    assert choose(230.0, {"1 Mohm": 229.9}).burden in (None, BOX.burden[0])
    beyond = choose(230.0, {"1 Mohm": 229.9, "100 kohm": 229.0})
    assert beyond.burden is None


def test_where_the_answer_is_open_the_next_smaller_one_is_asked_for_with_what_it_will_take() -> None:
    """6.8 nF at 230 V, 50 Hz (468 kΩ): 229.7 V alone, 48.1 V across 100 kΩ; 0.49 mA if reactive, 0.61 mA if resistive.

    (48.1 V + U)² · 1.1² / 10 kΩ = 0.28 W.
    """
    next_one = choose(229.75, {"100 kohm": 48.06})

    assert next_one.burden is not None and next_one.burden.value == "10 kohm"
    assert next_one.dissipation.startswith("28")


def test_10_nf_is_above_the_limit_whatever_its_phase_so_one_resistor_settles_it() -> None:
    """68.3 V across 100 kΩ: 0.72 mA if reactive, 0.96 mA if resistive, both from 0.5 to 5 mA."""
    assert choose(229.884, {"100 kohm": 68.313}).why == "the burden readings settle it"


def test_a_resistor_without_a_rating_is_never_asked_for() -> None:
    box = BurdenBox(burden=(Burden(value="2 kohm"),))

    told = choose(229.884, box=box)
    assert told.burden is None and "burdens.toml" in told.why


def test_beyond_the_rating_it_is_refused_with_the_figure() -> None:
    box = BurdenBox(burden=(Burden(value="10 kohm", power="2 W", voltage="350 V"),))

    told = choose(230.0, box=box)
    assert told.burden is None and "2 W" in told.why


def test_strays_are_settled_by_one_reading() -> None:
    """100 pF at 230 V: 61 V on the meter, 0.72 V across 100 kΩ: 7 µA, far below 0.5 mA."""
    assert choose(69.0, {"100 kohm": 0.72}).burden is None


def test_an_overload_bounds_nothing() -> None:
    assert choose(None).burden is None
