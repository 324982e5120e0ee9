"""The stations chosen against others that one could as well stand at."""

import numpy as np

from calib_data.layouts import load_layouts
from tools.scene import make_scene
from vision.bay import lay_out
from vision.decide import largest_usable_u
from vision.errors import NotEnoughError
from vision.forecast import forecast
from vision.stations import choose_stations, reachable_stations


def test_chosen_stations_beat_a_random_choice_of_as_many():
    rng = np.random.default_rng(0)
    scene = make_scene(np.random.default_rng(7), T_world_vehicle=np.eye(4), n_photos=8, with_bar=True)
    bay = lay_out(scene.kit, scene.placement, scene.vehicle, load_layouts())
    reachable = reachable_stations(bay)[::2]

    def worst(chosen):
        u = forecast(bay, chosen).u
        return max(u[key] / largest_usable_u(t) for key, t in scene.placement.values.items())

    rich = [station for station in reachable if len(station.plates) > 3]
    others = []
    for _ in range(50):
        try:
            others.append(worst([rich[i] for i in rng.choice(len(rich), 8, replace=False)]))
        except NotEnoughError:
            continue
    assert len(others) > 5
    assert worst(choose_stations(bay, 8, reachable)) <= min(others)
