"""The report: whole, well formed, self-contained, and safe whatever names say."""

import base64
import dataclasses
import hashlib
import json
import re
import subprocess

import click
import numpy as np
import pytest
from reports import EVIL, SCORE, Page, full_contents, renamed, write_comparison

from hybridopt import InputError, read_cycle, solve_cycle
from hybridopt.cli.main import main
from hybridopt.problem.settings import Settings
from hybridopt.report.charts import chart_data, safe_json, share_ranges
from hybridopt.report.contents import Contents, Entry, read_comparison, read_entry
from hybridopt.report.page import report_page
from hybridopt.report.words import energy_rows, key_values, repeat_command
from hybridopt.study.settings_keys import SETTING_KEYS


@pytest.fixture(scope="module")
def text(result, driveline):
    return report_page(full_contents(result, driveline))


@pytest.fixture(scope="module")
def evil(result):
    return report_page(full_contents(result, cycle=EVIL, driveline=EVIL, driveline_title=EVIL))


@pytest.mark.long
def test_page_is_well_formed_and_identities_are_unique(text):
    page = Page(text)
    assert page.faults == []
    names = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert len(names) == len(set(names))
    targets = [attrs["href"][1:] for attrs in page.of("a")]
    assert set(targets) <= set(names)
    described = [a["aria-describedby"] for _, a in page.elements if "aria-describedby" in a]
    assert set(described) <= set(names)


def test_page_loads_nothing(text):
    page = Page(text)
    addresses = [a.get(key, "") for _, a in page.elements for key in ("src", "href", "action")]
    assert all(not a or a.startswith(("data:", "#")) for a in addresses)
    scripts = "".join(page.texts["script"])
    assert not re.search(r"fetch\(|XMLHttpRequest|import\(|WebSocket|innerHTML|eval\(", scripts)
    assert "url(" not in "".join(page.texts["style"]) and "@import" not in text
    (policy,) = [a["content"] for a in page.of("meta") if "http-equiv" in a]
    assert policy.startswith("default-src 'none'; img-src data:;")


def test_policy_allows_this_script_alone(text):
    script = text[text.rindex("<script>") + 8 : text.rindex("</script>")]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in text
    assert "unsafe-inline'; script-src" in text and text.count("script-src") == 1


@pytest.mark.long
def test_names_cannot_become_code(evil):
    page = Page(evil)
    assert page.faults == []
    assert [a for a in page.of("img") if not a["src"].startswith("data:image/png")] == []
    assert len(page.of("script")) == 2 and "onerror" not in str(
        [a for _, a in page.elements if "onerror" in a]
    )
    assert any(EVIL in piece for piece in page.texts["h2"])
    runs = json.loads("".join(page.texts["script"][:1]))
    assert EVIL in runs[1]["label"]


def test_every_image_has_words(text):
    images = Page(text).of("img")
    assert len(images) == 11 and all(len(a["alt"]) > 20 for a in images)


def test_page_holds_job_hashes_bound_and_cautions(text, result):
    attrs = result.dataset.attrs
    for piece in (
        attrs["cycle_sha256"],
        attrs["driveline_sha256"],
        f"[{attrs['bound_g']:.2f}, {attrs['cost_g']:.2f}] g",
        "hybridopt solve ece15 --driveline full --soc-points 201 --splits 9",
        "not a released calibration",
        "Controllers against the optimum",
        "3.10",
        "made by hand",
        "not reached by the training",
    ):
        assert piece in text, piece


def test_charts_hold_the_traces(result):
    run = chart_data(result, "run0")
    dataset = result.dataset
    assert run["time"][0] == 0.0 and len(run["time"]) == dataset["time"].size + 1
    np.testing.assert_allclose(run["data"]["speed"], dataset["speed"] * 3.6, atol=0.006)
    assert run["data"]["mode"] == dataset["mode"].values.tolist()
    assert run["data"]["soc"][-1] == pytest.approx(100 * result.soc_end, abs=1e-3)
    assert {row[1] for row in run["values"]} <= set(run["data"])
    assert {s["name"] for p in run["panels"] for s in p.get("series", ())} <= set(run["data"])


def test_what_is_no_number_is_left_out(result):
    blank = type(result)(result.dataset.assign(costate=result.dataset["costate"] * np.nan))
    run = chart_data(blank, "run0")
    assert set(run["data"]["costate"]) == {None}
    assert [p["name"] for p in run["panels"]][-1] == "soc"
    assert "NaN" not in safe_json([run])


def test_shared_scales_hold_both(result):
    runs = [chart_data(result, name) for name in ("a", "b")]
    runs[0]["panels"][0]["range"] = [-5.0, 10.0]
    share_ranges(runs)
    low, high = runs[1]["panels"][0]["range"]
    assert low == -5.0 and high > 40.0 and runs[0]["panels"][0]["range"] == [low, high]


def test_json_in_a_page_has_no_angle_brackets():
    assert not set("<>&") & set(safe_json([EVIL, "<!--", "]]>"]))
    assert json.loads(safe_json(EVIL)) == EVIL


def test_energy_rows_add_up(result):
    rows = {name: float(kilojoules) for name, kilojoules, _ in energy_rows(result)}
    sources = rows.pop("from fuel") + rows.pop("from battery")
    assert sum(rows.values()) == pytest.approx(sources, abs=0.6)


def test_a_result_without_bound_says_so(result):
    attrs = {k: v for k, v in result.dataset.attrs.items() if not k.startswith(("bound", "gap"))}
    bare = type(result)(result.dataset.copy())
    bare.dataset.attrs = attrs
    assert ("Cost with events (no bound)", f"{result.cost_g:.2f} g") in key_values(bare)


def test_the_command_repeats_the_solve(driveline):
    """Parsed by the command line itself, it gives the same settings."""
    settings = Settings(
        soc_points=51,
        splits=7,
        terminal="target",
        soc_target=0.61,
        two_sided=True,
        start_cost=0.3,
        engine_on_start=True,
        gear_start=2,
        memory_limit=5e8,
    )
    done = solve_cycle(read_cycle("ece15"), driveline, settings, bound=False)
    words = repeat_command(done).split()
    assert words[:3] == ["hybridopt", "solve", "ece15"]
    command = main.commands["solve"]
    above = click.Context(main, **main.context_settings)
    given = command.make_context("solve", words[2:], parent=above).params
    from hybridopt.cli.settings_options import make_settings

    fields = [f.name for f in dataclasses.fields(Settings)]
    again = make_settings({name: given[name] for name in fields if name in given})
    assert again.resolved(driveline) == done.settings


def test_every_setting_has_the_option_that_the_command_names():
    options = {option.name: option.opts[0] for option in main.commands["solve"].params}
    for key, setting in SETTING_KEYS.items():
        assert options[setting.name] == "--" + key.lower().replace("_", "-")


def test_names_are_quoted_for_the_shell(result):
    odd = renamed(result, cycle="a b; rm -rf '$HOME'")
    line = repeat_command(odd).replace("hybridopt solve", "printf %s", 1)
    shown = subprocess.run(["sh", "-c", line], capture_output=True, text=True, check=True).stdout
    assert shown.startswith("a b; rm -rf '$HOME'")


@pytest.mark.long
def test_driveline_is_found_by_name_or_the_report_does_without(result, tmp_path):
    result.to_netcdf(tmp_path / "known.nc")
    assert read_entry(tmp_path / "known.nc").driveline.name == "full"
    renamed(result, driveline="mine").to_netcdf(tmp_path / "mine.nc")
    entry = read_entry(tmp_path / "mine.nc")
    assert entry.driveline is None and "--driveline FILE" in entry.note
    page = report_page(Contents([Entry(entry.name, entry.result, None, entry.note)]))
    assert "Drawn without maps" in page
    with pytest.raises(InputError, match="other SHA-256"):
        read_entry(tmp_path / "mine.nc", "mild")


def test_comparison_is_read(tmp_path):
    assert read_comparison(write_comparison(tmp_path / "c.json")) == [SCORE]


@pytest.mark.parametrize(
    ("content", "words"),
    {
        "no json": ("{", "is no JSON"),
        "deep": ("[" * 100_000, "is no JSON"),
        "list": ("[]", "has no scores"),
        "empty": ('{"scores": []}', "has no scores"),
        "text": ('{"scores": [3]}', "score 1: is no object"),
        "name": (json.dumps({"scores": [SCORE | {"cycle": 3}]}), "cycle is no text"),
        "figure": (json.dumps({"scores": [SCORE | {"fuel_g": "1"}]}), "fuel_g is no number"),
        "infinite": (json.dumps({"scores": [SCORE | {"starts": float("inf")}]}), "is no number"),
    }.values(),
)
def test_wrong_comparison_is_one_sentence(tmp_path, content, words):
    path = tmp_path / "c.json"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        read_comparison(path)
