"""The energy flow: what enters a place leaves it, and the ends are the totals of the result."""

import pytest
from matplotlib.figure import Figure

from hybridopt import Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.plots.energy_flow import ENDS, NODES, SPOTS, energy_flows, plot_energy_flow

CASES = {
    "full": ("full", {}),
    "mild, drained": ("mild", {"terminal": "free"}),
    "micro": ("micro", {}),
    "charged": ("full", {"terminal": "target", "soc_target": 0.62}),
}


@pytest.fixture(scope="module", params=CASES)
def dataset(request):
    driveline, options = CASES[request.param]
    settings = Settings(soc_points=101, splits=9, **options)
    return solve_cycle(
        read_cycle("ece15"), read_driveline(driveline), settings, bound=False
    ).dataset


def into(flows, name):
    return sum(flow.energy for flow in flows if flow.target == name)


def out_of(flows, name):
    return sum(flow.energy for flow in flows if flow.source == name)


def test_every_place_balances(dataset):
    flows = energy_flows(dataset)
    drawn = out_of(flows, "fuel")
    for name in NODES:
        assert into(flows, name) == pytest.approx(out_of(flows, name), abs=1e-9 * drawn), name
    assert all(flow.energy >= 0.0 for flow in flows)
    assert out_of(flows, "braking") == pytest.approx(into(flows, "kinetic"))


def test_ends_are_the_totals_of_the_result(dataset):
    flows, attrs = energy_flows(dataset), dataset.attrs
    for end, total in (
        ("engine_loss", "engine_loss"),
        ("motor_loss", "motor_loss"),
        ("battery_loss", "battery_loss"),
        ("gearbox_loss", "gearbox_loss"),
        ("auxiliary", "auxiliary"),
        ("brakes", "brake"),
        ("drag", "drag"),
        ("rolling", "rolling"),
    ):
        assert into(flows, end) == pytest.approx(1e3 * attrs[f"energy_{total}_kJ"], abs=1e-3), end
    rotors = {"start": attrs["start_rotor_kJ"], "shift": attrs["rotor_shift_paid_kJ"]}
    for end, paid in rotors.items():  # the rest of what they take goes into the rotors
        taken = attrs[f"energy_{end}_kJ"] - paid
        assert into(flows, end) == pytest.approx(1e3 * taken, abs=1e-3), end
    losses = sum(attrs[f"rotor_{name}_loss_kJ"] for name in ("shift", "stop", "clutch"))
    losses += attrs["rotor_overpaid_kJ"] - attrs["rotor_unpaid_kJ"]
    assert into(flows, "rotors") == pytest.approx(1e3 * losses, abs=1e-3)
    charge = out_of(flows, "charge") - into(flows, "stored")
    assert charge == pytest.approx(1e3 * attrs["energy_stored_kJ"], abs=1e-3)


def test_blocks_do_not_overlap(dataset):
    ax = Figure(figsize=(12, 7)).subplots()
    plot_energy_flow(ax, dataset)
    blocks = [p.get_bbox() for p in ax.patches if hasattr(p, "get_bbox")]
    for i, a in enumerate(blocks):
        for b in blocks[i + 1 :]:
            assert a.x0 != b.x0 or a.y1 <= b.y0 + 1e-9 or b.y1 <= a.y0 + 1e-9
    places = len({*SPOTS, *ENDS})
    assert 12 <= len(blocks) <= places
