"""What no plan may ask for, whatever the rig; and which sources block approval."""

from __future__ import annotations

import pytest

from records.approval import is_open, open_limits
from records.errors import InputError
from records.planfile import builtin_plan, builtin_plan_ids, parse_plan

LOW = builtin_plan("low-pressure")[1]
AS_FOUND = builtin_plan("as-found")[1]


def refused(text: str) -> InputError:
    with pytest.raises(InputError) as caught:
        parse_plan(text, "plan.toml")
    return caught.value


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        # a target that its own limit fails
        ('target = "11.0 in. w.c. gauge"', 'target = "11.5 in. w.c. gauge"', "fail"),
        # a lockup below what is set
        ('max = "12.65 in. w.c. gauge"', 'max = "10.5 in. w.c. gauge"', "locks up"),
        # a band that lets be taken what fails
        ('band = "0.15 in. w.c. difference"', 'band = "5 in. w.c. difference"', "fail"),
        # a lockup that all but the lowest setting fails
        ('max = "12.65 in. w.c. gauge"', 'max = "11.01 in. w.c. gauge"', "locks up"),
        # a limit that the watch over pressure never lets be reached
        ('max = "12.65 in. w.c. gauge"', 'max = "25 in. w.c. gauge"', "test stops"),
        # two limits of one finding
        (
            'finding = "seat_leak"',
            'finding = "seat_leak"\nmax = "1 std cm3/min"\nsource = "ours"\n\n'
            '[[steps.limits]]\nfinding = "seat_leak"',
            "one finding has one limit",
        ),
    ],
)
def test_limits_that_contradict_each_other(old: str, new: str, says: str) -> None:
    assert old in LOW
    error = refused(LOW.replace(old, new))
    assert error.id == "plan_limits_contradict"
    assert says in error.facts["why"]
    line = int(error.where.removeprefix("plan.toml:"))
    assert "finding" in LOW.replace(old, new).splitlines()[line - 1]


@pytest.mark.parametrize(
    "title",
    [
        "Creep, bonnet vent plugged",
        "Plug the bonnet vent, then hold",
        "Vent to be capped",
        "Tape over the vent",
    ],
)
def test_no_step_shuts_the_vent(title: str) -> None:
    old = 'title = "Creep and seat leakage, from the last lockup on"'
    assert old in LOW
    error = refused(LOW.replace(old, f'title = "{title}"'))
    assert error.id == "plan_vent_plugged"
    assert error.facts["step"] == "creep-hold"


@pytest.mark.parametrize(
    "text",
    [
        "Before the test plug the vent with the yellow cap.",
        "Put the cap on the bonnet vent.",
        "Never open the bonnet; cap the vent.",
    ],
)
def test_no_caution_and_no_question_shuts_it_either(text: str) -> None:
    cautions = LOW.replace("test_gas =", f'cautions = ["{text}"]\ntest_gas =', 1)
    error = refused(cautions)
    assert error.id == "plan_vent_plugged"
    line = int(error.where.removeprefix("plan.toml:"))
    assert text in cautions.splitlines()[line - 1]
    looks = '\n[[steps]]\nid = "look"\nkind = "look"\nlook = "bubble_count"\n'
    error = refused(LOW + looks + f'asks = "{text}"\n')
    assert error.id == "plan_vent_plugged"
    assert "question" in error.facts["why"]


@pytest.mark.parametrize(
    "text",
    [
        "Never plug the vent.",
        "Do not cap or tape the vent.",
        "The vent must not be plugged.",
        "Close the vent valve of the rig.",
    ],
)
def test_a_caution_may_forbid_it(text: str) -> None:
    parse_plan(
        LOW.replace("test_gas =", f'cautions = ["{text}"]\ntest_gas =', 1), "plan.toml"
    )


@pytest.mark.parametrize(
    ("old", "new", "id"),
    [
        ('["1 s", "5 s"]', '["5 s", "1 s"]', "plan_window_unworkable"),
        ('["1 s", "5 s"]', '["0 s", "0.01 s"]', "plan_window_unworkable"),
        ('["1 s", "5 s"]', '["-2 s", "5 s"]', "plan_window_unworkable"),
        ('inlet = "5 psi gauge"', 'inlet = "-5 psi gauge"', "value_wrong"),
        ('stages = ["3 psi gauge"]', 'stages = ["14 psi gauge"]', "value_wrong"),
        ('stages = ["3 psi gauge"]', 'stages = ["3 psi absolute"]', "value_wrong"),
        (
            'stages = ["3 psi gauge"]',
            'stages = ["5 psi gauge", "3 psi gauge"]',
            "value_wrong",
        ),
        ('hold = "30 s"', 'hold = "3 s"', "value_wrong"),
    ],
)
def test_what_no_hand_and_no_gas_could_do(old: str, new: str, id: str) -> None:
    assert old in LOW
    text = LOW.replace(old, new, 1)
    error = refused(text)
    assert error.id == id
    line = int(error.where.removeprefix("plan.toml:"))
    assert new in text.splitlines()[line - 1]


@pytest.mark.parametrize(
    "title",
    ["Bubble tube at the open vent", "Lockup, the vent stays open", "Vent down"],
)
def test_a_look_at_the_open_vent_is_no_shutting(title: str) -> None:
    old = 'title = "Creep and seat leakage, from the last lockup on"'
    parse_plan(LOW.replace(old, f'title = "{title}"'), "plan.toml")


def test_pressure_held_in_the_bonnet_would_plug_its_vent() -> None:
    extra = '\n[[steps]]\nid = "bonnet"\nkind = "hold"\nchannel = "bonnet"\n'
    assert refused(LOW + extra).id == "plan_vent_plugged"


def test_as_found_adjusts_nothing_and_decides_nothing() -> None:
    assert builtin_plan("as-found")[0].as_found
    assert not builtin_plan("low-pressure")[0].as_found
    extra = '\n[[steps]]\nid = "more"\nkind = "exercise"\nrepeats = 3\n'
    assert refused(AS_FOUND + extra).id == "plan_as_found_adjusts"
    decides = AS_FOUND.replace("required = false\n", "", 1)
    assert refused(decides).id == "plan_as_found_decides"


@pytest.mark.parametrize(
    ("old", "new"),
    [('id = "low-pressure"', 'id = "../x"'), ("version = 1", "version = 0")],
)
def test_a_name_that_no_record_could_be_kept_by(old: str, new: str) -> None:
    assert refused(LOW.replace(old, new, 1)).id == "value_wrong"


def test_a_default_or_a_memory_waits_to_be_accepted() -> None:
    for source in (
        "shop default",
        "Shop default, accepted by me",
        "EN 334, from memory",
        "Shop  Default.",
        "shop-default",
        "ShopDefault",
        "shop\u00a0default",
        "defaults",
        "our default",
        "shop defualt",
        "EN 334, from  Memory.",
        "from menory",
        "my memory",
    ):
        assert is_open(source)
    for source in (
        "our instruction 12, 4.3",
        "calibration record of the channel",
        "memo 12 of 2026-03-02",
        "a tenth of the tightest leak limit of this plan",
    ):
        assert not is_open(source)
    named = open_limits(builtin_plan("service-classes")[0])
    assert {"classes", "set/set_pressure", "flow/accuracy_class"} <= set(named)
    assert "zero/zero_offset" not in named


def test_every_plan_says_what_to_mind_and_what_it_does_not_show() -> None:
    for id in set(builtin_plan_ids()) - {"trace-only", "low-pressure"}:
        plan, _ = builtin_plan(id)
        assert plan.status == "draft"
        assert plan.cautions
        assert any("strength of the body" in text for text in plan.not_shown)
        assert any("service gas" in text for text in plan.not_shown)


def test_what_stands_from_memory_says_so() -> None:
    """ISO 2503 and EN 334 were not at hand: their figures may not pass for theirs."""
    limits = {
        limit.finding: limit
        for step in builtin_plan("cylinder-flow")[0].steps
        for limit in step.limits
    }
    assert limits["closure_coefficient"].source == "ISO 2503, from memory"
    assert limits["irregularity_coefficient"].source == "ISO 2503, from memory"
    low = limits["irregularity_coefficient"].min
    assert low is not None
    assert low.quantity.value_si == pytest.approx(-0.3)
    lists = builtin_plan("service-classes")[0].classes
    assert lists is not None
    assert "EN 334, from memory" in lists.source
    ends = [round(q.value_si, 6) for q in lists.accuracy]
    assert ends == [0.01, 0.025, 0.05, 0.1, 0.2, 0.3]
    assert [round(q.value_si, 6) for q in lists.lockup] == [
        *(0.025, 0.05, 0.1, 0.2, 0.3, 0.5)
    ]


SERVICE = builtin_plan("service")[1]


def test_a_relief_is_followed_by_a_lockup() -> None:
    assert not builtin_plan("service")[0].as_found
    at = SERVICE.index('[[steps]]\nid = "lockup-3"')
    until = SERVICE.index('[[steps]]\nid = "creep-hold"')
    stop = SERVICE.index('[[steps]]\nid = "vent-down"')
    error = refused(SERVICE[:at] + SERVICE[stop:])
    assert error.id == "plan_relief_unfollowed"
    assert error.facts["step"] == "relief"
    look = '[[steps]]\nid = "look"\nkind = "look"\nlook = "heard"\nasks = "A hiss"\n\n'
    parse_plan(SERVICE[:at] + look + SERVICE[at:until] + SERVICE[stop:], "plan.toml")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('max = "235 % of set_pressure"', 'max = "243 % of set_pressure"'),
        ('max = "235 % of set_pressure"', 'max = "17.2 in. w.c. gauge"'),
        ('outlet = "17 in. w.c. gauge"', 'outlet = "16 in. w.c. gauge"'),
    ],
)
def test_a_relief_is_raised_beyond_where_it_may_open(old: str, new: str) -> None:
    error = refused(SERVICE.replace(old, new, 1))
    assert error.id == "plan_limits_contradict"
    assert "relief may open" in error.facts["why"]


def test_no_relief_is_opened_as_found() -> None:
    extra = (
        '\n[[steps]]\nid = "more"\nkind = "relief"\nhold = "5 s"\n'
        'outlet = "18 in. w.c. gauge"\n'
    )
    assert refused(AS_FOUND + extra).id == "plan_as_found_adjusts"


def test_a_step_says_not_itself_that_it_is_left_out() -> None:
    text = SERVICE.replace('kind = "relief"', 'kind = "relief"\nleft_out = "so"', 1)
    error = refused(text)
    assert error.id == "key_unknown"
    assert error.facts["key"] == "steps.relief.left_out"
