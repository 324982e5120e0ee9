"""The whole measurement on one page: start reading here.

photos -> detections -> observations -> adjustment -> vehicle frame -> values -> tests -> decision.
Each line of `measure` is one stage; the stages are modules of the same names.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from vision.adjust import Adjustment, Network
from vision.advice import CAUTION, MILLIMETRES, Units
from vision.consistency import check_consistency, not_checked
from vision.decide import Verdict, worst
from vision.detect import detect_plates
from vision.errors import NotEnoughError
from vision.frame import FramePlan
from vision.initial import adjust_from_nothing
from vision.judge import Evidence, JudgedPlacement, JudgedRelation, judge, judge_relation
from vision.kit import Kit, Placement, Relation, Vehicle
from vision.layout import Layout
from vision.lenses import Profile, group_lenses, lens_priors
from vision.mountcheck import adjust_as_hung
from vision.moved import two_states
from vision.observe import Sighting
from vision.photo import Photo
from vision.placement import Reported, plan_frame, report
from vision.roundcheck import check_round
from vision.second_look import look_again
from vision.sightings import (
    FoundPhoto,
    PhotoNote,
    in_time_order,
    main_part,
    naming_spoilt,
    network_of,
    sightings_of,
)
from vision.trial import ConsistencyTest
from vision.turned import with_turns_undone
from vision.twoplaces import two_places
from vision.unseen import Unseen, in_words, unseen_moves, with_unseen_scales

# How a caller may run independent work on several photos at once; the built-in map runs it in turn.
PhotoMap = Callable[[Callable, Iterable], Iterable]
Progress = Callable[[str, int, int], None]


def _silent(what: str, done: int, total: int) -> None:
    """No progress wanted."""


@dataclass(frozen=True, eq=False)
class MovedState:
    """One of the two states of a set in which something moved: which photos, and the values then."""

    says: str
    placements: tuple[JudgedPlacement, ...]
    reported: Reported
    plan: FramePlan
    relations: tuple[JudgedRelation, ...] = ()


@dataclass(frozen=True, eq=False)
class Measurement:
    """Everything that measuring a set of photos gave.

    Attributes:
        notes: One per photo, in time order where known: what was found, whether it was used, and why not.
        found: The photos in time order where known, with what the second look found: measured again from
            these, without pixels, everything comes out the same.
        sightings: The photos used, in the order of the adjustment.
        reported: Vehicle facts and all placements' values, with their joint covariance; sheets whose scale
            these photos do not show are in it (unseen.py).
        tests: Consistency tests, the likeliest cause of trouble first.
        moves: What may have moved without these photos showing it, as far as it matters.
        not_checked: What these photos cannot show, in words.
        warnings: What the technician should know beyond the tests.
        states: Empty, or where something moved, before and after; `placements` are then those after.
    """

    decision: Verdict
    placements: tuple[JudgedPlacement, ...]
    reported: Reported
    tests: tuple[ConsistencyTest, ...]
    moves: tuple[Unseen, ...]
    not_checked: tuple[str, ...]
    caution: str
    notes: tuple[PhotoNote, ...]
    warnings: tuple[str, ...]
    found: tuple[FoundPhoto, ...]
    sightings: tuple[Sighting, ...]
    adjustment: Adjustment
    plan: FramePlan
    relations: tuple[JudgedRelation, ...] = ()
    states: tuple[MovedState, ...] = ()


def measure(
    photos: Sequence[Photo],
    kit: Kit,
    vehicle: Vehicle,
    placements: Sequence[Placement],
    layouts: Sequence[Layout],
    *,
    relations: Sequence[Relation] = (),
    profiles: Sequence[Profile] = (),
    distrusted: str = "",
    units: Units = MILLIMETRES,
    map_photos: PhotoMap = map,
    progress: Progress = _silent,
) -> Measurement:
    """Where the targets stand, how sure that is, whether it conforms, and what to move.

    Args:
        relations: What is required of two placements together, by their numbers in `placements`.
        profiles: Stored lenses, used where a photo's EXIF and size are theirs.
        distrusted: What is known against the kit, such as that a proof flagged it: nothing is then decided.
        units: In which the advice is worded; values are always mm and degrees.

    Raises:
        NotEnoughError: The photos do not suffice; the message names the photo that would help.
    """
    found = []
    for photo in map_photos(lambda photo: find_plates(photo, kit, layouts), photos):
        found.append(photo)
        progress("looking for plates", len(found), len(photos))
    by_name = {photo.name: photo for photo in photos}
    return measure_found(
        found,
        kit,
        vehicle,
        placements,
        layouts,
        photos=by_name,
        relations=relations,
        profiles=profiles,
        distrusted=distrusted,
        units=units,
        map_photos=map_photos,
        progress=progress,
    )


def find_plates(photo: Photo, kit: Kit, layouts: Sequence[Layout]) -> FoundPhoto:
    """One photo's plates, of the layouts that the kit has: what is kept of it for measuring."""
    in_kit = {plate.layout for plate in kit.plates.values()}
    printed = [layout for layout in layouts if layout.name in in_kit]
    detections = detect_plates(photo, printed)
    says = ""
    if not detections:
        mirrored = Photo(
            photo.name, photo.sha256, photo.size_px, photo.exif, np.ascontiguousarray(photo.grey[:, ::-1])
        )
        if detect_plates(mirrored, printed):
            says = "This photo is mirrored (selfie camera or edited). Take it with the main camera, unedited."
    return FoundPhoto(photo.name, photo.sha256, photo.size_px, photo.exif, detections, says)


class Assembled(NamedTuple):
    """The problem to adjust, and what became of every photo on the way to it."""

    sightings: tuple[Sighting, ...]
    notes: tuple[PhotoNote, ...]
    apart: tuple[str, ...]
    network: Network


def assemble(
    found: Sequence[FoundPhoto], kit: Kit, layouts: Mapping[str, Layout], profiles: Sequence[Profile] = ()
) -> Assembled:
    """Group by lens, keep what hangs together, lay out the network.

    Raises:
        NotEnoughError: Nothing hangs together.
    """
    if not found:
        raise NotEnoughError("None of the photos can be read. Copy the phone's original files.")
    exifs, sizes_px = [f.exif for f in found], [f.size_px for f in found]
    lens_of_photo = group_lenses(exifs, sizes_px)
    priors = lens_priors(exifs, sizes_px, lens_of_photo, profiles)
    sightings, notes = sightings_of(found, lens_of_photo, kit)
    sightings, notes, apart = main_part(sightings, notes, kit)
    sightings, network = network_of(sightings, priors, kit, layouts)
    return Assembled(sightings, notes, apart, network)


def measure_found(
    found: Sequence[FoundPhoto],
    kit: Kit,
    vehicle: Vehicle,
    placements: Sequence[Placement],
    layouts: Sequence[Layout],
    *,
    photos: Mapping[str, Photo] = MappingProxyType({}),
    relations: Sequence[Relation] = (),
    profiles: Sequence[Profile] = (),
    distrusted: str = "",
    units: Units = MILLIMETRES,
    map_photos: PhotoMap = map,
    progress: Progress = _silent,
) -> Measurement:
    """As `measure`, from detections.

    Args:
        photos: By name, for looking again where plates must be. Where one is not here, what an earlier
            second look found in it (`FoundPhoto.predicted`) takes its place.
    """
    layouts_by_name = {layout.name: layout for layout in layouts}

    def assembled(found: Sequence[FoundPhoto]) -> Assembled:
        return assemble(found, kit, layouts_by_name, profiles)

    progress("adjusting", 0, 3)
    given = in_time_order(found)
    with naming_spoilt(given):
        found = with_turns_undone(given, lambda candidate: adjust_from_nothing(assembled(candidate).network))
        as_stored = [f for f, g in zip(found, given, strict=True) if f is g]
        sightings, notes, apart, network = assembled(found)
        adjustment, mounted = adjust_as_hung(network)
    kit = adjustment.network.kit
    progress("looking again where plates must be", 1, 3)
    sightings, adjustment, looked_again = look_again(
        photos,
        {f.name: f.predicted for f in as_stored},
        sightings,
        adjustment,
        layouts_by_name,
        map_photos,
    )

    progress("testing", 2, 3)
    with naming_spoilt(given):
        plan = plan_frame(adjustment, kit, vehicle, placements, relations)
    as_declared = report(adjustment, plan)
    beforehand = (*check_round(given, kit), two_places(sightings, adjustment, layouts_by_name))
    tests = check_consistency(adjustment, plan, as_declared, kit, vehicle, mounted, beforehand)
    reported, sheets = with_unseen_scales(adjustment, plan, as_declared)
    moves = unseen_moves(adjustment, plan, reported, kit)
    evidence = Evidence(
        adjustment, plan, reported, tests, moves, why_withheld(adjustment), distrusted
    )
    judged = tuple(judge(i, p, kit, vehicle, evidence, units) for i, p in enumerate(placements))
    related = tuple(judge_relation(i, r, judged, evidence, units) for i, r in enumerate(relations))
    unchecked = not_checked(kit, plan, adjustment, units)
    whole = Measurement(
        decision=worst(one.decision.decision for one in (*judged, *related)),
        placements=judged,
        relations=related,
        reported=reported,
        tests=tests,
        moves=moves,
        not_checked=(*unchecked, *in_words((*sheets, *moves), reported, units)),
        caution=CAUTION,
        notes=notes,
        warnings=(*((distrusted,) if distrusted else ()), *apart),
        found=tuple(replace(f, predicted=looked_again.get(f.name, ())) for f in given),
        sightings=sightings,
        adjustment=adjustment,
        plan=plan,
    )
    progress("done", 3, 3)
    return with_both_states(whole, kit, vehicle, placements, layouts_by_name, units, distrusted)


def why_withheld(adjustment: Adjustment) -> str:
    """Why no value is given, where the photos contradict each other grossly; else nothing."""
    if not adjustment.is_contradictory:
        return ""
    times = np.sqrt(adjustment.chi2 / adjustment.redundancy)
    return (
        f"The photos contradict each other: what they show differs {times:.0f} times as much as it should. "
        "No value from them would mean anything. Look at the first failed test, and photograph again."
    )


def with_both_states(
    whole: Measurement,
    kit: Kit,
    vehicle: Vehicle,
    placements: Sequence[Placement],
    layouts: Mapping[str, Layout],
    units: Units,
    distrusted: str = "",
) -> Measurement:
    """Where fixture or vehicle moved between photos: the values before and after, in place of a mixture.

    `placements` then tell the later state, which is how things stand now; the tests stay those of the
    undivided set, so that nothing can conform.
    """
    likeliest = whole.tests[0]
    if likeliest.ok or likeliest.moved is None or likeliest.moved.kind == "plate":
        return whole
    split = two_states(likeliest.moved, whole.sightings, whole.adjustment, kit, layouts)
    if split is None:
        return whole
    states = []
    relations = [one.relation for one in whole.relations]
    for words, state_kit in (
        (f"before photo {split.first_after}", split.kit_before),
        (f"from photo {split.first_after} on", split.kit_after),
    ):
        try:
            plan = plan_frame(split.adjustment, state_kit, vehicle, placements, relations)
        except NotEnoughError:
            return whole  # a state that does not show all that it takes cannot stand by itself
        reported, _ = with_unseen_scales(split.adjustment, plan, report(split.adjustment, plan))
        evidence = Evidence(
            split.adjustment, plan, reported, whole.tests, (), why_withheld(split.adjustment), distrusted
        )
        judged = tuple(judge(i, p, state_kit, vehicle, evidence, units) for i, p in enumerate(placements))
        related = tuple(judge_relation(i, r, judged, evidence, units) for i, r in enumerate(relations))
        states.append(MovedState(words, judged, reported, plan, related))
    now = states[-1]
    return replace(
        whole,
        decision=worst(
            p.decision.decision for state in states for p in (*state.placements, *state.relations)
        ),
        placements=now.placements,
        relations=now.relations,
        reported=now.reported,
        moves=(),
        sightings=split.sightings,
        adjustment=split.adjustment,
        plan=now.plan,
        states=tuple(states),
    )
