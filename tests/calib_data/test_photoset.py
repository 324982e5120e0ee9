"""Photo-set folders: what is read, in which order, with which warnings; and results written whole."""

import hashlib
import json
import os
import random
from pathlib import Path

import numpy as np
import pytest

from calib_data.convert import from_profile
from calib_data.photoset import read_kit, read_photo_set, write_json_atomically
from vision.errors import PlumbsightError, SetError
from vision.lenses import Profile
from vision.photo import ExifFacts

MEAN = np.array([2931.0, 2015.5, 1511.5, 0.05, -0.03, 0, 0, 0, 0])
U = np.array([4.0, 3, 3, 1e-3, 1e-3, 1e-4, 1e-4, 1e-3, 1e-4])
PHOTOSETS = Path(__file__).parents[2] / ".." / "shared" / "photosets"


def test_a_set_with_everything_in_it(write_set):
    folder = write_set()
    photo_set = read_photo_set(folder)
    assert (photo_set.title, photo_set.taken) == ("Bay 2, morning", "2026-03-14")
    assert photo_set.photos == (folder / "p02.jpg", folder / "p01.jpg")  # the list's order is the user's
    assert photo_set.vehicle.wheelbase_mm == 2712 and photo_set.vehicle.u_wheelbase_mm == 4
    assert [placement.name for placement in photo_set.placements] == ["front camera board, family A"]
    assert photo_set.warnings == ()


def test_the_record_holds_the_files_as_they_were(write_set):
    folder = write_set()
    photo_set = read_photo_set(folder)
    data = (folder / "kit.json").read_bytes()
    assert photo_set.kit_text.text == data.decode()
    assert photo_set.kit_text.sha256 == hashlib.sha256(data).hexdigest()
    assert [text.name for text in photo_set.placement_texts] == ["placement.json"]
    assert photo_set.set_text is not None and "Bay 2" in photo_set.set_text.text


def test_kit_and_placements_may_stand_in_the_set_itself(write_set, set_json, kit, placement):
    del placement["format"]  # a part has the version of the whole
    del set_json["placement"]
    set_json |= {"kit": kit, "placements": [placement, placement | {"name": "again"}]}
    folder = write_set()
    (folder / "kit.json").unlink()
    photo_set = read_photo_set(folder)
    assert photo_set.kit.name == "trolley 3"
    assert [one.name for one in photo_set.placements] == ["front camera board, family A", "again"]
    assert json.loads(photo_set.kit_text.text) == kit
    assert photo_set.kit_text.name == "set.json: kit"


def test_unknown_keys_are_ignored_with_a_warning_at_every_depth(write_set, set_json, kit, placement):
    set_json["weather"] = 2
    kit["plates"]["4"]["u_bow"] = 0.1
    kit["fixtures"]["front"]["plates"][1]["colour"] = {"any": ["thing"]}
    placement["values"]["yaw_deg"]["unit"] = "deg"
    assert read_photo_set(write_set()).warnings == (
        "set.json: weather is not a key of this format and was ignored.",
        "kit.json: plates.4.u_bow is not a key of this format and was ignored. Did you mean u_bow_mm?",
        "kit.json: fixtures.front.plates[1].colour is not a key of this format and was ignored.",
        "placement.json: values.yaw_deg.unit is not a key of this format and was ignored.",
    )


def test_doubtful_figures_are_measured_with_a_warning(write_set, kit, placement):
    kit["fixtures"]["front"]["plates"][0]["rotation_deg"] = [0, 0, 1.5708]
    del kit["wheels"]["rear_left"]["measured_on"]
    placement["values"] = {
        "distance_mm": {"nominal": 1.5, "minus": 0.005, "plus": 5},
        "yaw_deg": {"nominal": 0, "minus": 18, "plus": 0.3},
    }
    warnings = "\n".join(read_photo_set(write_set()).warnings)
    for word in ("radians", "measured_on", "enter 1500", "metres, enter 5", "enter 0.3"):
        assert word in warnings


def test_without_a_list_every_photo_in_the_folder_counts_in_counted_order(write_set, set_json):
    del set_json["photos"]
    folder = write_set()
    names = ["p10.JPG", "p2.jpeg", "P3.heic", "p4.HEIF", "p5.Png"]
    random.Random(1).shuffle(names)
    for name in [*names, ".hidden.jpg", "._p1.jpg", "notes.txt", "p7.jpg.part"]:
        (folder / name).write_bytes(b"")
    (folder / "album.jpg").mkdir()
    found = [photo.name for photo in read_photo_set(folder).photos]
    assert found == ["p01.jpg", "p2.jpeg", "p02.jpg", "P3.heic", "p4.HEIF", "p5.Png", "p10.JPG"]


def test_photos_may_lie_in_a_folder_of_the_set(write_set, set_json):
    set_json["photos"] = ["round 1/p01.jpg", "p02.jpg"]
    folder = write_set()
    (folder / "round 1").mkdir()
    (folder / "p01.jpg").rename(folder / "round 1" / "p01.jpg")
    assert read_photo_set(folder).photos[0] == folder / "round 1" / "p01.jpg"


@pytest.mark.skipif(os.name != "posix", reason="making links needs special rights elsewhere")
def test_a_link_out_of_the_folder_is_refused(write_set, set_json, tmp_path_factory):
    outside = tmp_path_factory.mktemp("other") / "p01.jpg"
    outside.write_bytes(b"")
    folder = write_set()
    (folder / "p01.jpg").unlink()
    (folder / "p01.jpg").symlink_to(outside)
    with pytest.raises(SetError, match="leaves the set's folder"):
        read_photo_set(folder)
    del set_json["photos"]
    (folder / "set.json").write_text(json.dumps(set_json))
    with pytest.raises(SetError, match="p01.jpg .* is a link that leaves the folder"):
        read_photo_set(folder)


@pytest.mark.skipif(os.name != "posix", reason="making links needs special rights elsewhere")
def test_a_link_to_itself_is_named_like_a_missing_photo(write_set):
    folder = write_set()
    (folder / "p01.jpg").unlink()
    (folder / "p01.jpg").symlink_to("p01.jpg")
    with pytest.raises(SetError, match=r"photos\[1\] is \"p01.jpg\", which is not in the folder"):
        read_photo_set(folder)


def test_a_folder_without_set_json_is_measured_with_what_the_caller_names(write_set, tmp_path_factory):
    folder, elsewhere = write_set(), tmp_path_factory.mktemp("shop")
    for name in ("kit.json", "placement.json"):
        (folder / name).rename(elsewhere / name)
    (folder / "set.json").unlink()
    with pytest.raises(SetError, match="has no set.json"):
        read_photo_set(folder)
    photo_set = read_photo_set(
        folder,
        kit=elsewhere / "kit.json",
        placement=(elsewhere / "placement.json",),
        wheelbase_mm=2650,
    )
    assert photo_set.title == folder.name
    assert [photo.name for photo in photo_set.photos] == ["p01.jpg", "p02.jpg"]
    assert photo_set.vehicle.wheelbase_mm == 2650 and photo_set.vehicle.u_wheelbase_mm == 5
    assert photo_set.set_text is None
    with pytest.raises(SetError, match="wheelbase_mm is 2.65 mm: .* 2650 mm if these are metres"):
        read_photo_set(folder, kit=elsewhere / "kit.json", wheelbase_mm=2.65)


def test_what_the_caller_names_replaces_what_the_set_names(write_set, kit, tmp_path):
    folder = write_set()
    other = tmp_path / "other.json"
    other.write_text(json.dumps(kit | {"name": "other"}))
    photo_set = read_photo_set(folder, kit=other, wheelbase_mm=2900)
    assert photo_set.kit.name == "other"
    assert photo_set.vehicle.wheelbase_mm == 2900 and photo_set.vehicle.track_front_mm == 1560
    assert len(photo_set.placements) == 1


def test_nothing_required_is_no_error(write_set, set_json):
    del set_json["placement"]
    assert read_photo_set(write_set()).placements == ()


def test_a_folder_without_photos_and_no_folder_are_named(write_set, set_json, tmp_path):
    del set_json["photos"]
    folder = write_set()
    for photo in folder.glob("*.jpg"):
        photo.unlink()
    with pytest.raises(SetError, match="holds no photo .* Copy the photos into it"):
        read_photo_set(folder)
    with pytest.raises(SetError, match="is no folder"):
        read_photo_set(tmp_path / "nowhere")


def test_a_byte_order_mark_does_no_harm(write_set):
    folder = write_set()
    kit = folder / "kit.json"
    kit.write_bytes(b"\xef\xbb\xbf" + kit.read_bytes())
    assert read_kit(kit)[0].name == "trolley 3"


@pytest.mark.skipif(not PHOTOSETS.is_dir(), reason="the shared photo sets are not beside this clone")
@pytest.mark.parametrize(
    # From the sets' own README and truth.json: photos, true wheelbase.
    ("name", "n_photos", "wheelbase_mm"),
    [("clean_11", 10, 2445.3), ("far_21", 11, None), ("glare_41", 9, 2529.8), ("moved_71", 14, 2522.6)],
)
def test_the_shared_sets_are_read_without_a_warning(name, n_photos, wheelbase_mm):
    photo_set = read_photo_set(PHOTOSETS / name)
    assert photo_set.warnings == ()
    assert len(photo_set.photos) == n_photos and all(photo.is_file() for photo in photo_set.photos)
    assert len(photo_set.kit.clamps) == 4
    if wheelbase_mm is not None:
        off_in_u = (photo_set.vehicle.wheelbase_mm - wheelbase_mm) / photo_set.vehicle.u_wheelbase_mm
        assert abs(off_in_u) < 3


def test_a_result_is_written_whole_and_leaves_nothing_beside_it(tmp_path):
    path = tmp_path / "result.json"
    write_json_atomically(path, {"said": "größer", "value": 1.5})
    write_json_atomically(path, {"said": "again"})
    assert json.loads(path.read_text(encoding="utf-8")) == {"said": "again"}
    assert os.listdir(tmp_path) == ["result.json"]


def test_a_number_that_is_none_is_our_own_mistake_and_spares_the_old_file(tmp_path):
    path = tmp_path / "result.json"
    write_json_atomically(path, {"value": 1})
    with pytest.raises(ValueError, match="JSON compliant"):
        write_json_atomically(path, {"value": float("nan")})
    assert json.loads(path.read_text()) == {"value": 1}


def test_a_full_disk_is_told_in_words_and_spares_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "result.json"
    write_json_atomically(path, {"value": 1})

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(PlumbsightError, match="disk is full. Free some space, then try again"):
        write_json_atomically(path, {"value": 2})
    assert json.loads(path.read_text()) == {"value": 1}
    assert os.listdir(tmp_path) == ["result.json"]


def test_a_folder_that_is_not_there_is_told_in_words(tmp_path):
    with pytest.raises(PlumbsightError, match="Make the folder"):
        write_json_atomically(tmp_path / "no" / "result.json", {})


# --- what an exported round carries ---------------------------------------------------------------


def test_a_set_names_its_lens_profiles_and_what_is_known_against_the_kit(write_set, set_json):
    set_json |= {"cameras": ["camera-1.json"], "distrusted": "The kit was flagged by a proof."}
    folder = write_set()
    profile = Profile(ExifFacts(make="Lumora", model="L2"), (4032, 3024), MEAN, np.diag(U**2))
    file = from_profile(profile, "Lumora L2", ["1" * 64])
    write_json_atomically(folder / "camera-1.json", file.model_dump(exclude_none=True))
    photo_set = read_photo_set(folder)
    assert photo_set.distrusted == "The kit was flagged by a proof."
    (read,) = photo_set.profiles
    assert read.size_px == (4032, 3024) and read.mean == pytest.approx(MEAN)
    assert read_photo_set(folder).warnings == ()


def test_a_profile_outside_the_folder_is_refused(write_set, set_json):
    set_json["cameras"] = ["../camera.json"]
    with pytest.raises(SetError, match="leaves the set's folder"):
        read_photo_set(write_set())
