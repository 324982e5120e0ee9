"""Whether a phone gets here, how the service is, the shop's settings, over the service."""


def test_a_phone_that_is_not_paired_is_told_how_it_came(client):
    answer = client(None).get("/api/reach", params={"device_time_ms": 0}).json()
    assert (answer["device_address"], answer["called_as"]) == ("testclient", "testserver")
    assert (answer["is_paired"], answer["is_encrypted"]) == (False, False)
    assert "behind" in answer["clock_says"]
    assert {"isolation", "firewall", "address", "no-internet", "lid"} == {
        one["key"] for one in answer["helps"]
    }
    assert answer["ways"]


def test_a_paired_phone_is_told_that_it_is(client):
    assert client("technician").get("/api/reach").json()["is_paired"]


def test_the_status_tells_room_queue_clock_and_versions(client):
    answer = client("technician").get("/api/status").json()
    assert answer["room"]["free_bytes"] > 0
    assert answer["room"]["days_left"] is None
    assert answer["queue"] == {"n_photos": 0, "n_rounds": 0}
    assert answer["clock_says"] == ""
    assert answer["versions"]["plumbsight"]


def test_an_owner_sets_up_the_shop_and_others_read_it(client):
    owner = client("owner")
    changed = owner.patch("/api/shop", json={"name": "Invented Motors", "units": "in", "bays": ["left"]})
    assert changed.status_code == 200
    kept = client("technician").get("/api/shop").json()
    assert (kept["name"], kept["units"], kept["bays"], kept["paper"]) == (
        "Invented Motors",
        "in",
        ["left"],
        "A4",
    )


def test_a_setting_that_does_not_exist_is_refused_by_name(client):
    answer = client("owner").patch("/api/shop", json={"colour": "green"})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["where"] == "colour"
