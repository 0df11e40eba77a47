"""The machines of the demo company and the parts in them."""

from collections import Counter, defaultdict
from itertools import pairwise

from scheduler.catalogue import Catalogue
from scheduler.machines import Place, places_in
from seed_data.company.equipment import build_of
from seed_data.company.records import DemoCompany


def test_machines_are_as_many_and_as_different_as_planned(company: DemoCompany) -> None:
    in_use = [unit for unit in company.machines if unit.retired_on is None]
    kinds = Counter(unit.kind for unit in in_use)
    assert kinds == {"espresso_machine": 233, "grinder": 112, "water_filter": 105}
    builds = {build_of(unit) for unit in in_use}
    assert len(builds) > 20
    assert {build.groups for build in builds if build.groups} == {1, 2, 3}
    assert {build.boiler_layout for build in builds} == {
        None,
        "separate_boilers",
        "heat_exchanger",
    }
    assert {build.dosing for build in builds} == {None, "volumetric", "semi_automatic"}


def test_every_feature_of_the_catalogue_is_built_somewhere(
    company: DemoCompany, catalogue: Catalogue
) -> None:
    assert {feature for unit in company.machines for feature in unit.features} == set(
        catalogue.features
    )


def test_a_tenth_to_a_third_of_the_machines_fall_under_statutory_examination(
    company: DemoCompany,
) -> None:
    machines = [unit for unit in company.machines if unit.kind == "espresso_machine"]
    statutory = [unit for unit in machines if "statutory_inspection" in unit.features]
    assert 0.1 < len(statutory) / len(machines) < 0.35


def test_parts_fitted_today_follow_from_the_build(
    company: DemoCompany, catalogue: Catalogue
) -> None:
    fitted = defaultdict(list)
    for part in company.fitted_parts:
        if part.removed_on is None:
            fitted[part.machine_id].append(Place(part_type=part.part_type, position=part.position))
    wrong = [
        unit.id
        for unit in company.machines
        if Counter(fitted[unit.id])
        != Counter(places_in(build_of(unit), catalogue) if unit.retired_on is None else ())
    ]
    assert wrong == []


def test_one_part_at_a_time_in_every_position(company: DemoCompany) -> None:
    lives = defaultdict(list)
    for part in company.fitted_parts:
        lives[part.machine_id, part.part_type, part.position].append(part)
    overlapping = [
        (before.id, after.id)
        for parts in lives.values()
        for before, after in pairwise(parts)
        if before.removed_on is None or before.removed_on > after.fitted_on
    ]
    assert overlapping == []


def test_no_part_is_older_than_its_machine_or_outlives_it(company: DemoCompany) -> None:
    units = {unit.id: unit for unit in company.machines}
    wrong = [
        part.id
        for part in company.fitted_parts
        for unit in [units[part.machine_id]]
        if part.fitted_on < unit.installed_on
        or (part.removed_on is not None and part.removed_on < part.fitted_on)
        or (unit.retired_on is not None and part.removed_on is None)
    ]
    assert wrong == []
