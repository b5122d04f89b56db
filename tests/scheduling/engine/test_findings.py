import numpy as np
import pytest

from scheduling.engine.cases import gaps_closed, left_by, prepare
from scheduling.engine.fabric import weave
from scheduling.engine.findings import LEARNING_DAYS, found_spans, knock_spans, lay_out, unseen_variance
from scheduling.engine.forecast import Knock, Record, RoomAir
from tests.scheduling.engine.invented import ALWAYS, TODAY, room, subject


def one_group(made, air, earliest=TODAY - 1500):
    cases = [prepare(made, TODAY)]
    fabric = weave([air], cases, ALWAYS, TODAY, 100, earliest)
    return fabric.groups(cases)[0], cases[0]


def test_each_found_value_is_measured_from_what_the_service_before_had_left():
    made = subject(
        records=(
            Record(TODAY - 300, 3.0, 1.0),
            Record(TODAY - 200, None, None),
            Record(TODAY - 100, 4.0, 0.2),
            Record(TODAY - 100, 0.2, 0.1),
            Record(TODAY - 40, -2.0, None),
        )
    )
    group, case = one_group(made, room())
    spans, values = found_spans(case, TODAY)
    assert [(span.start, span.end) for span in spans] == [
        (TODAY - 200, TODAY - 100),
        (TODAY - 100, TODAY - 40),
    ]
    laid = lay_out(group, case, spans, values, case.prior.found_sd)
    prior = case.prior  # a measured 0.1 is drawn towards what tunings usually leave, which is 0
    trusted = prior.start.sd**2 / (prior.start.sd**2 + prior.left_sd**2)
    np.testing.assert_allclose(laid.values, [4.0 - 0.0, -2.0 - 0.1 * trusted])


def test_the_noise_adds_walk_start_and_measuring_error():
    made = subject(hours_per_week=0.0, records=(Record(TODAY - 90, None, 0.0), Record(TODAY - 10, 2.0, None)))
    group, case = one_group(made, room())
    spans, values = found_spans(case, TODAY)
    laid = lay_out(group, case, spans, values, case.prior.found_sd)
    prior = case.prior
    left = 1.0 / (1.0 / prior.start.sd**2 + 1.0 / prior.left_sd**2)  # measured, and usually about that
    expected = 80 * prior.walk_day**2 + left + prior.found_sd**2
    assert laid.noise[0] == pytest.approx(expected)  # the readings are whole, so the air adds nothing


def test_old_records_and_trials_before_any_bedding_say_nothing():
    old = TODAY - LEARNING_DAYS - 10
    made = subject(
        "bedding",
        records=(Record(old, None, 0.0), Record(old + 5, 0.02, 0.0), Record(TODAY - 50, None, 0.0)),
        knocks=(Knock(old - 1, 1, 4), Knock(TODAY - 20, 1, 4), Knock(TODAY - 10, 0, 0)),
    )
    _, case = one_group(made, room())
    assert found_spans(case, TODAY) == ([], [])
    spans, knocked = knock_spans(case, TODAY)
    assert [span.end for span in spans] == [TODAY - 20]
    assert knocked == [True]


def test_a_bedding_between_two_regulations_counts_with_its_lever():
    made = subject(
        "regulation",
        records=(Record(TODAY - 400, None, 0.0), Record(TODAY - 30, 0.2, 0.0)),
        related={"bedding": (Record(TODAY - 200, 0.08, 0.0), Record(TODAY - 30, 0.05, 0.0))},
    )
    _, case = one_group(made, room())
    spans, _ = found_spans(case, TODAY)
    # half of 0.08 mm, times three; the bedding on the day itself came after the dip was measured
    assert spans[0].start_mean == pytest.approx(0.12)


def test_what_the_first_service_found_counts_where_none_is_known_to_have_been_done_for_long():
    """Records of tunings begin 500 days before the first regulation, more than half its interval of 450."""
    tunings = {"tuning": (Record(TODAY - 600, None, None), Record(TODAY - 90, None, None))}
    made = subject("regulation", records=(Record(TODAY - 100, 0.4, None),), related=tunings)
    group, case = one_group(made, room())
    spans, values = found_spans(case, TODAY)
    assert [(span.start, span.end) for span in spans] == [(TODAY - 600 - 225, TODAY - 100)]
    laid = lay_out(group, case, spans, values, case.prior.found_sd)
    guess = (0.5 * made.tolerance) ** 2  # of the start; no error of a value, and not for the fleet to learn
    assert laid.noise[0] >= guess + laid.shares[0].sum()
    assert laid.shares[0, 2] == pytest.approx(case.prior.found_sd**2)


@pytest.mark.parametrize(("begun", "found"), [(TODAY - 310, 0.4), (TODAY - 600, None)])
def test_a_first_service_soon_after_the_records_begin_or_without_a_value_says_nothing(begun, found):
    tunings = {"tuning": (Record(begun, None, None),)}
    made = subject("regulation", records=(Record(TODAY - 100, found, None),), related=tunings)
    assert found_spans(prepare(made, TODAY), TODAY) == ([], [])


def test_a_new_instrument_is_heard_from_the_day_it_came():
    came = TODAY - 80
    made = subject("bedding", built_day=came - 20, in_service_day=came, records=(Record(TODAY - 20, 0.1, 0),))
    spans, values = found_spans(prepare(made, TODAY), TODAY)
    assert [(span.start, span.end) for span in spans] == [(came, TODAY - 20)]
    assert values == [0.1]


def test_a_gap_that_opened_after_a_supposed_regulation_changes_no_dip_when_it_is_closed():
    came = TODAY - 80
    beddings = {"bedding": (Record(TODAY - 20, 0.2, 0.0),)}
    new = subject("regulation", built_day=came - 20, in_service_day=came, records=(), related=beddings)
    assert prepare(new, TODAY).jumps == ((TODAY - 20, 0.0, 0.0),)
    served = subject("regulation", records=(Record(came, None, None),), related=beddings)
    assert prepare(served, TODAY).jumps[0][1] > 0  # its gap may have been there


def test_only_a_gap_that_was_there_at_the_regulation_changes_the_dip_when_it_is_closed():
    beddings = (
        Record(TODAY - 500, 0.1, 0.02),
        Record(TODAY - 200, 0.08, 0.0),
        Record(TODAY - 100, 0.06, 0.01),
    )
    made = subject(
        "regulation",
        records=(Record(TODAY - 400, None, 0.0), Record(TODAY - 30, 0.2, 0.0)),
        related={"bedding": beddings},
    )
    _, case = one_group(made, room())
    spans, _ = found_spans(case, TODAY)
    # by hand: a third of the way from 0.02 to 0.08 mm had opened, 0.04 mm; the next one opened afterwards and
    # left 0.01 mm that was not there; three for the lever, half of it for the share
    assert spans[0].closed == pytest.approx(3 * (0.04 - 0.01))
    assert spans[0].start_mean == pytest.approx(3 * 0.03 / 2)
    assert spans[0].jump_variance == pytest.approx((3 * 0.04 / 2) ** 2 + (3 * 0.01 / 2) ** 2)


@pytest.mark.parametrize("service", ["tuning", "bedding"])
def test_air_that_nobody_measured_is_doubted_about_as_much_as_the_exact_law_says(service):
    empty = RoomAir("room", "hall", np.array([], int), np.array([]), np.array([]))
    group, _ = one_group(subject(service), empty)
    start, end = group.place(np.array([TODAY - 400])), group.place(np.array([TODAY - 300]))
    wood = group.woods[len(group.woods) // 2]
    root = wood.factor(np.concatenate([start, end]))
    exact = np.sum((root[1] - root[0]) ** 2)
    assert unseen_variance(group, start, end)[0] == pytest.approx(exact, rel=0.02)


def test_air_that_was_measured_throughout_is_not_doubted():
    group, _ = one_group(subject(), room(days=2500))
    places = group.place(np.array([TODAY - 300, TODAY - 200]))
    assert np.all(unseen_variance(group, places[:1], places[1:]) == pytest.approx(0.0, abs=1e-12))


def test_what_no_usual_service_leaves_counts_as_it_was_written():
    case = prepare(subject(), TODAY)
    usual = case.prior.start.mean
    far = usual + 3.01 * (case.prior.start.sd**2 + case.prior.left_sd**2) ** 0.5
    assert left_by(Record(TODAY, None, far), case.prior) == (far, case.prior.left_sd)
    mean, sd = left_by(Record(TODAY, None, usual + 0.3), case.prior)
    assert usual < mean < usual + 0.3
    assert sd < min(case.prior.start.sd, case.prior.left_sd)


def look(days_ago, found):
    """A record of somebody who measured and did nothing."""
    return Record(TODAY - days_ago, found, found, only_measured=True)


def test_after_a_look_everything_goes_on_from_what_was_measured():
    case = prepare(subject("bedding", records=(Record(TODAY - 300, 0.04, 0.0), look(40, 0.07))), TODAY)
    done = prepare(subject("bedding", records=(Record(TODAY - 300, 0.04, 0.0),)), TODAY)
    # 0.07 mm is what no bedding leaves, and 0.01 what many do: of a look both count as they were measured.
    for found in (0.07, 0.01):
        assert left_by(look(40, found), case.prior) == (found, case.prior.found_sd)
    assert (case.last_day, case.start_mean, case.last_done) == (TODAY - 40, 0.07, TODAY - 300)
    assert (case.fade, case.fade_next) == (done.fade, done.fade_next)  # it settles as if nobody had come
    spans, values = found_spans(case, TODAY)
    assert [(span.start, span.end, span.fade) for span in spans] == [(TODAY - 300, TODAY - 40, done.fade)]
    assert values == [0.07]


@pytest.mark.parametrize(
    ("beddings", "closed"),
    [
        # Opened evenly from 0 at -200 to 0.06 at -50: at the regulation at -100 it stood at 0.04.
        ((Record(TODAY - 200, None, 0.0), look(50, 0.06), Record(TODAY - 20, 0.09, 0.01)), 0.04 - 0.01),
        # A look before it: from 0.05 at -150 to 0.09 at -50, so 0.07.
        ((Record(TODAY - 300, None, 0.0), look(150, 0.05), Record(TODAY - 50, 0.09, 0.0)), 0.07),
        # Nothing is known of a bedding before: all that the look found is taken to have stood there.
        ((look(50, 0.06), Record(TODAY - 20, 0.09, 0.0)), 0.06),
    ],
)
def test_a_look_at_a_gap_tells_how_far_it_had_opened_and_closes_nothing(beddings, closed):
    made = subject("regulation", records=(Record(TODAY - 100, None, 0.0),), related={"bedding": beddings})
    [(day, size)] = gaps_closed(made, TODAY - 100, TODAY)
    lever = (220 + 110) / 110
    assert (day, size) == (beddings[-1].day, pytest.approx(lever * closed))
