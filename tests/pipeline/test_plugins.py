"""Plugins found the way a stranger's would be: installed packages and single files, good ones and broken ones."""

from __future__ import annotations

import hashlib
import importlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import yaml
from click.testing import CliRunner

from nightmill import stage
from nightmill.cli.main import _nightmill
from nightmill.errors import PluginError, RecipeError, UsageError
from nightmill.plugins import Registry, load_module, load_registry, plugin_choice
from nightmill.recipe import parse_recipe
from nightmill.run.observers import Observers
from nightmill.run.reading import settle
from nightmill.testing.conformance.bench import make_bench
from toysupport import TOY

EXAMPLES = Path(__file__).parents[1] / "example_plugins"
PACKAGES = ("dots-reader", "edge-grade", "warm-tone")


def build_and_install(projects: Sequence[Path], site: Path) -> None:
    """Build wheels of projects and install them into a folder of packages, as a stranger's pip would; no network."""
    command = [sys.executable, "-m", "pip", "install", "--quiet", "--no-index", "--no-deps", "--no-build-isolation"]
    subprocess.run([*command, "--target", str(site), *map(str, projects)], check=True, timeout=240)


def write_info(site: Path, name: str, version: str, lines: list[str]) -> None:
    """Write the .dist-info of a package (PyPA specification "Recording installed projects")."""
    info = site / f"{name.replace('-', '_')}-{version}.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n", encoding="utf-8")
    (info / "entry_points.txt").write_text("[nightmill.plugins]\n" + "\n".join(lines) + "\n", encoding="utf-8")
    (info / "INSTALLER").write_text("test\n", encoding="utf-8")


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a folder of packages that is on the path of this process."""
    folder = tmp_path / "site"
    folder.mkdir()
    monkeypatch.syspath_prepend(str(folder))
    return folder


def add_module(site: Path, name: str, text: str) -> None:
    """Install a one-module plugin."""
    (site / f"{name}.py").write_text(textwrap.dedent(text), encoding="utf-8")
    write_info(site, name, "1.0", [f"{name} = {name}"])


def fresh(*files: Path) -> Registry:
    importlib.invalidate_caches()
    return load_registry.__wrapped__(tuple(map(str, files)))


GOOD = """
    from nightmill import stage
    from nightmill.hooks import implementation

    @stage.survey(name="{name}", gives={{"{name}_value": "mean, ADU"}})
    def grade(data):
        "Grade."
        return data.mean(axis=(1, 2))

    @implementation
    def nightmill_stages():
        return [grade]
"""


def test_ten_broken_plugins_stop_nothing(site: Path) -> None:
    """Import error, exit, syntax, wrong hooks: each is named with its package, and the good ones load."""
    broken = {
        "bad_a_import": "import no_such_module_here",
        "bad_b_exit": "raise SystemExit(1)",
        "bad_c_raise": "1 / 0",
        "bad_d_syntax": "def (",
        "bad_e_hook": GOOD.format(name="one").replace("def nightmill_stages", "def nightmill_stagez"),
        "bad_f_unmarked": GOOD.format(name="two").replace("    @implementation\n", ""),
        "bad_g_argument": GOOD.format(name="three").replace("nightmill_stages()", "nightmill_stages(night)"),
        "bad_h_none": GOOD.format(name="four").replace("return [grade]", "return None"),
        "bad_i_version": GOOD.format(name="five").replace("\n    from", "\n    nightmill_api = 99\n    from", 1),
        "bad_j_interrupted": "raise GeneratorExit",
    }
    for name, text in broken.items():
        add_module(site, name, text)
    add_module(site, "good_first", GOOD.format(name="good-first").replace("good-first_value", "first"))
    add_module(site, "zz_good_last", GOOD.format(name="good-last").replace("good-last_value", "last"))
    registry = fresh()
    assert {"good-first", "good-last", "stack"} <= set(registry.stages)
    assert registry.origins["good-last"] == "zz_good_last 1.0"
    assert {one.name: one.origin for one in registry.broken} == {name: f"{name} 1.0" for name in broken}
    raised = {"bad_a_import", "bad_b_exit", "bad_c_raise", "bad_d_syntax", "bad_j_interrupted"}
    for one in registry.broken:
        assert f"{one.name}.py:" in one.brief
        assert one.reason.splitlines()[-1].strip() == "^"
        assert ("Traceback" in one.trace) == (one.name in raised)
        assert "importlib" not in one.trace
    # No trace of half a registration is left (pluggy 1.7 and later).
    assert not {"one", "two", "three", "four", "five"} & set(registry.stages)
    assert not any(registry.manager.has_plugin(name) for name in broken)


def test_the_cause_is_told_when_a_recipe_asks(site: Path) -> None:
    add_module(site, "club_grade", "import no_such_module_here")
    registry = fresh()
    text = "nightmill: 1\nstages: [ingest, grade, align, qqq-club, stack, compose]\n"
    with pytest.raises(PluginError, match=r"club_grade \(club_grade 1.0\): .*club_grade.py:1:1: ModuleNotFoundError"):
        parse_recipe(text, "r.yaml", registry)
    # and a recipe that does not ask is none the worse for it
    assert parse_recipe("nightmill: 1\nstages: [ingest, grade, align, stack, compose]\n", "r.yaml", registry).calls


def test_two_plugins_that_claim_one_name(site: Path, tmp_path: Path) -> None:
    add_module(site, "first_plugin", GOOD.format(name="sharp"))
    add_module(site, "second_plugin", GOOD.format(name="sharp"))
    registry = fresh()
    assert "sharp" not in registry.stages
    with pytest.raises(PluginError) as caught:
        registry.stage("sharp")
    for part in ("first_plugin 1.0", "second_plugin 1.0", "'first_plugin:sharp'", "'second_plugin:sharp'"):
        assert part in str(caught.value)
    assert registry.stage("first_plugin:sharp").__module__ == "first_plugin"
    text = "nightmill: 1\nstages: [ingest, second_plugin:sharp, grade, align, stack, compose]\n"
    recipe = parse_recipe(text, "r.yaml", registry)
    assert recipe.calls[1].stage.__module__ == "second_plugin"
    with pytest.raises(PluginError):
        parse_recipe(text.replace("second_plugin:", ""), "r.yaml", registry)


def test_a_plugin_of_another_version_is_refused_before_it_runs(tmp_path: Path) -> None:
    path = tmp_path / "future.py"
    path.write_text("nightmill_api = 2\nopen('ran', 'w')\n", encoding="utf-8")
    registry = load_registry.__wrapped__((str(path),), installed=False)
    assert "needs stage interface 2, this nightmill speaks 1" in registry.broken[0].reason
    assert not Path("ran").exists()


def test_nothing_in_a_night_is_run_by_itself(toy_night: Path, run_toy, tmp_path: Path) -> None:
    """Code beside the captures stays untouched unless night.yaml or the command line names it."""
    (toy_night / "conftest.py").write_text("raise SystemExit(9)\n", encoding="utf-8")
    (toy_night / "plugin.py").write_text("raise SystemExit(9)\n", encoding="utf-8")
    assert run_toy().exit_code == 0


def test_single_file(tmp_path: Path) -> None:
    path = tmp_path / "contrast.py"
    shutil.copy(EXAMPLES / "contrast.py", path)
    registry = fresh(path)
    assert registry.origins["contrast"].startswith("contrast.py ")
    first = registry.origins["contrast"]
    path.write_text(path.read_text(encoding="utf-8") + "\n# changed\n", encoding="utf-8")
    assert fresh(path).origins["contrast"] != first
    missing = fresh(tmp_path / "nowhere.py").broken[-1]
    assert "there is no file" in missing.reason


def test_a_module_that_is_not_installed(site: Path) -> None:
    (site / "loose_grade.py").write_text(textwrap.dedent(GOOD.format(name="loose")), encoding="utf-8")
    importlib.invalidate_caches()
    registry, name = load_module("loose_grade")
    assert f"{name}:loose" in registry.qualified
    assert load_module("nightmill_stages.plugin")[1] == "nightmill_stages"


def test_the_grade_is_short() -> None:
    lines = (EXAMPLES / "edge-grade" / "edge_grade" / "__init__.py").read_text(encoding="utf-8").splitlines()
    assert len([line for line in lines if line.strip()]) <= 15


RECIPE = """
nightmill: 1
title: Three packages and a file
stages:
  - dots-reader
  - edge-grade: {step: 3}
  - contrast: {power: 2}
  - grade
  - align: {share: 0.9}
  - stack: {share: 0.5}
  - compose
  - warm-tone: {temperature: 5200 K}
"""


@pytest.fixture
def three_plugins(tmp_path: Path) -> tuple[Path, dict[str, str]]:
    """Build and install the three examples; give a night for them, and the environment that finds them."""
    for needed in ("pip", "hatchling"):
        pytest.importorskip(needed, reason=f"building wheels needs {needed}")
    site = tmp_path / "site"
    build_and_install([shutil.copytree(EXAMPLES / name, tmp_path / name) for name in PACKAGES], site)
    assert {path.name for path in site.glob("*.dist-info")} == {
        "dots_reader-0.3.dist-info",
        "edge_grade-1.0.dist-info",
        "warm_tone-2.1.dist-info",
    }
    shutil.copy(EXAMPLES / "contrast.py", tmp_path)
    night = tmp_path / "night"
    night.mkdir()
    spec = importlib.util.spec_from_file_location("dots_for_test", site / "dots_reader" / "__init__.py")
    assert spec is not None
    assert spec.loader is not None
    reader = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(reader)
    bench = make_bench("mosaic", 48)
    path = night / "jupiter_20260112_221000_RGB.dots"
    reader.write_dots(path, bench.data, start=1768255800.0, fps=100.0, mosaic="RGGB")
    (tmp_path / "three.yaml").write_text(RECIPE, encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": str(site), "OMP_NUM_THREADS": "1", "NO_COLOR": "1"}
    return tmp_path, environment


def nightmill(
    folder: Path, environment: dict[str, str], *arguments: str, code: int = 0
) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from nightmill.cli import main; main()", *arguments]
    done = subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, encoding="utf-8", timeout=240, check=False
    )
    assert done.returncode == code, done.stdout + done.stderr
    return done


def test_installed_plugins_make_a_picture_and_the_picture_makes_it_again(three_plugins) -> None:
    """Reader, grade and picture stage from three packages, one more grade from a file; then, from the PNG alone, again.

    The recipe that comes back holds the versions of the packages and the SHA-256 of the file; `--locked` sees to them.
    """
    folder, environment = three_plugins
    file = ("--plugin", "contrast.py")
    listed = json.loads(nightmill(folder, environment, "stages", "--json", *file).stdout)
    origins = {one["name"]: one["plugin"] for one in listed["stages"]}
    assert origins["edge-grade"] == "edge-grade 1.0"
    assert origins["warm-tone"] == "warm-tone 2.1"
    assert origins["dots-reader"] == "dots-reader 0.3"
    digest = hashlib.sha256((folder / "contrast.py").read_bytes()).hexdigest()
    assert origins["contrast"] == f"contrast.py {digest}"
    nightmill(folder, environment, "run", "night", "--recipe", "three.yaml", "--using", "serial", "--quiet", *file)
    made = sorted((folder / "night-finished" / "pictures").iterdir())
    (png,) = [path for path in made if path.suffix == ".png"]
    shutil.copy(png, folder / "alone.png")
    nightmill(folder, environment, "recipe", "from", "alone.png", "-o", "again.yaml", *file)
    locked = yaml.safe_load((folder / "again.yaml").read_text(encoding="utf-8"))["locked"]["stages"]
    assert {locked[name]["plugin"] for name in ("contrast", "warm-tone")} == {origins["contrast"], "warm-tone 2.1"}
    options = ("--using", "serial", "--quiet", "--locked", "--out", "again")
    nightmill(folder, environment, "run", "night", "--recipe", "again.yaml", *options, *file)
    for path in made:
        assert (folder / "again" / "pictures" / path.name).read_bytes() == path.read_bytes(), path.name
    with (folder / "contrast.py").open("a", encoding="utf-8") as stream:
        stream.write("# another\n")
    refused = nightmill(folder, environment, "run", "night", "--recipe", "again.yaml", *options, *file, code=4)
    assert f"plugin of contrast: frozen with contrast.py {digest[:12]}, here it is contrast.py " in refused.stderr


def test_dots_are_read_as_written(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("dots_alone", EXAMPLES / "dots-reader/dots_reader/__init__.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    data = np.random.default_rng(1).integers(0, 256, (7, 9, 11), dtype=np.uint8)
    module.write_dots(tmp_path / "a.dots", data, start=0.0, fps=50.0)
    reader = module.DotsReader()
    capture = reader.open(tmp_path / "a.dots")
    assert np.array_equal(reader.read(capture, 2, 6), data[2:6])


def test_one_broken_part_costs_the_rest_of_its_plugin_nothing(site: Path) -> None:
    """A part that a plugin names is imported and checked by itself; whoever needs it is told why it is not there."""
    add_module(site, "club_sharp", GOOD.format(name="club-sharp").replace("club-sharp_value", "sharp"))
    (site / "club_parts").mkdir()
    (site / "club_parts" / "__init__.py").write_text(
        "from nightmill.hooks import implementation\n\n@implementation\ndef nightmill_stages():\n"
        "    return [f'club_parts.{name}' for name in ('good:STAGES', 'bad:STAGES', 'wrong:STAGES', 'good')]\n",
        encoding="utf-8",
    )
    stage = "from nightmill import stage\n\n@stage.survey(gives={{'{0}': 'mean, ADU'}})\ndef {0}(data):\n    'Grade.'\n"
    stage += "    return data.mean(axis=(1, 2))\n\nSTAGES = [{0}]\n"
    for name, text in (
        ("good", stage.format("fine")),
        ("bad", stage.format("lost").replace("STAGES", "1 / 0\nSTAGES")),
        ("wrong", stage.format("vague").replace("    'Grade.'\n", "")),
    ):
        (site / "club_parts" / f"{name}.py").write_text(text, encoding="utf-8")
    write_info(site, "club-parts", "1.0", ["club_parts = club_parts"])
    registry = fresh()
    assert {"fine", "club-sharp", "stack"} <= set(registry.stages)
    assert registry.origins["fine"] == "club-parts 1.0"
    broken = {one.name: one for one in registry.broken}
    assert set(broken) == {"club_parts.bad", "club_parts.wrong", "club_parts.good"}
    assert "bad.py:8:1: ZeroDivisionError: division by zero" in broken["club_parts.bad"].brief
    assert "wrong.py:4:5: stage 'vague': it has no docstring" in broken["club_parts.wrong"].brief
    assert "name a part as 'package.module:NAME_OF_ITS_LIST'" in broken["club_parts.good"].brief
    text = "nightmill: 1\nstages: [ingest, grade, lost, align, stack, compose]\n"
    with pytest.raises(PluginError, match=r"stage 'lost' is in club_parts.bad \(club-parts 1.0\), which cannot be"):
        parse_recipe(text, "r.yaml", registry)
    assert parse_recipe(text.replace("lost", "fine"), "r.yaml", registry).calls


@pytest.mark.parametrize("family", ["sharpen", "write"])
def test_a_shipped_family_that_cannot_be_imported(family: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The others work, and recipes that do not use it are valid."""
    for name in [one for one in sys.modules if one.startswith(f"nightmill_stages.{family}")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, f"nightmill_stages.{family}", None)
    registry = fresh()
    (broken,) = registry.broken
    assert broken.name == f"nightmill_stages.{family}"
    assert broken.origin.startswith("nightmill ")
    assert {"ingest", "grade", "align", "stack", "compose"} <= set(registry.stages)
    assert ("sharpen" in registry.stages) == (family != "sharpen")
    assert bool(registry.writers) == (family != "write")
    if family == "sharpen":
        assert broken.stages == {"sharpen"}
        text = "nightmill: 1\nstages: [ingest, grade, align, stack, compose]\n"
        assert parse_recipe(text, "r.yaml", registry).calls
        with pytest.raises(PluginError, match=r"stage 'sharpen' is in nightmill_stages\.sharpen"):
            parse_recipe(text.replace("compose]", "sharpen, compose]"), "r.yaml", registry)


def test_an_installed_plugin_of_another_version_is_refused_before_its_import(site: Path) -> None:
    """A module, and a module inside a package: neither it nor the package runs."""
    for name in ("later", "later_parts"):
        path = site / f"{name}.py" if name == "later" else site / name / "inner.py"
        path.parent.mkdir(exist_ok=True)
        path.write_text(f"import pathlib\nnightmill_api = 7\npathlib.Path({str(site / 'ran')!r}).touch()\n")
    (site / "later_parts" / "__init__.py").write_text(f"open({str(site / 'ran')!r}, 'w')\n")
    write_info(site, "later", "2.0", ["later = later", "later_parts = later_parts.inner"])
    broken = {one.name: one.reason for one in fresh().broken}
    for name, file in (("later", "later.py"), ("later_parts", "inner.py")):
        assert f"{file}:2:17: needs stage interface 7, this nightmill speaks 1; install a newer" in broken[name]
    assert not (site / "ran").exists()


def test_a_plugin_can_be_left_out(site: Path, tmp_path: Path) -> None:
    add_module(site, "club_grade", GOOD.format(name="club").replace("club_value", "club"))
    assert "club" in fresh().stages
    importlib.invalidate_caches()
    registry = load_registry.__wrapped__(("-club_grade",))
    assert "club" not in registry.stages
    with pytest.raises(PluginError, match="Switched off by --no-plugin: club_grade"):
        registry.stage("club")
    with pytest.raises(UsageError, match="there is no plugin 'club_grad'; did you mean 'club_grade'"):
        load_registry.__wrapped__(("-club_grad",))


def test_what_night_yaml_names_runs_only_when_trusted(toy_night, tmp_path, monkeypatch) -> None:
    """A stranger's night may hold a night.yaml and code: neither a run nor a check runs it before the user says so."""
    monkeypatch.setenv("NIGHTMILL_CONFIG", str(tmp_path / "config"))
    ran = tmp_path / "ran"
    code = toy_night / "edge.py"
    code.write_text(f"import pathlib\npathlib.Path({str(ran)!r}).touch()\n" + (EXAMPLES / "contrast.py").read_text())
    (toy_night / "night.yaml").write_text("plugins:\n  - edge.py\n", encoding="utf-8")

    def settled(plugins: tuple[str, ...] = ()):
        return settle(toy_night, recipe="quick-look", plugins=plugins)

    asked = [["check", str(toy_night)], ["run", str(toy_night), "--using", "serial"]]
    for arguments in asked:
        result = CliRunner().invoke(_nightmill, arguments, standalone_mode=False)
        assert isinstance(result.exception, RecipeError)
        said = str(result.exception)
        assert "night.yaml:2:5: this asks to run the program edge.py, and you have not yet trusted it" in said
        assert f"'nightmill plugin trust {code}'" in said
        assert said.endswith("    - edge.py\n        ^")
    assert not ran.exists()
    # Left out, or named with the command, or trusted, it may run.
    assert "contrast" not in settled(plugin_choice([], ["edge"])).registry.stages
    assert not ran.exists()
    assert "contrast" in settled(plugin_choice([code])).registry.stages
    assert ran.exists()
    ran.unlink()
    load_registry.cache_clear()
    assert CliRunner().invoke(_nightmill, ["plugin", "trust", str(code)], standalone_mode=False).return_value == 0
    assert "contrast" in settled().registry.stages
    assert ran.exists()
    assert str(code) in CliRunner().invoke(_nightmill, ["plugin", "trust"], standalone_mode=False).output
    code.write_text(code.read_text() + "\n")
    with pytest.raises(RecipeError, match="it has changed since you trusted it"):
        settled()
    CliRunner().invoke(_nightmill, ["plugin", "trust", "--forget", str(code)], standalone_mode=False)
    with pytest.raises(RecipeError, match="you have not yet trusted it"):
        settled()


def test_a_watcher_that_fails_is_named_and_left_out_alone(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Also one that would end the program."""
    head = "from nightmill.hooks import implementation\nseen = []\n\n@implementation\ndef nightmill_event(event):\n"
    for name, body in (("bad", "    raise SystemExit(5)\n"), ("good", "    seen.append(event)\n")):
        (tmp_path / f"{name}.py").write_text(head + body, encoding="utf-8")
    registry = load_registry.__wrapped__((str(tmp_path / "bad.py"), str(tmp_path / "good.py")), installed=False)
    observers = Observers(registry)
    for number in range(3):
        observers.event({"event": number})
    assert registry.manager.get_plugin("good").seen == [{"event": 0}, {"event": 1}, {"event": 2}]
    (told,) = [one.getMessage() for one in caplog.records]
    assert told == "the plugin bad watches the run no longer: it failed in nightmill_event: SystemExit(5)"


@pytest.mark.parametrize(
    ("returned", "reason"),
    [
        ("None", "TypeError: it returned NoneType instead of frames"),
        ("data[:, 1:]", "ValueError: it returned an array of 50x23x32 for frames of 50x24x32"),
        ("data[1:]", "ValueError: it returned an array of 49x24x32 for frames of 50x24x32"),
        ("data * float('nan')", "ValueError: it left nothing but gaps (NaN) of frame 0"),
    ],
)
def test_a_frame_stage_that_gives_no_frames_is_named(
    returned: str, reason: str, toy_night: Path, run_toy, tmp_path: Path
) -> None:
    """The stages behind it, or the recording, would be blamed else."""
    file = tmp_path / "odd.py"
    file.write_text(
        "from nightmill import stage\nfrom nightmill.hooks import implementation\n\n"
        f"@stage.frame\ndef odd(data):\n    'Do something odd.'\n    return {returned}\n\n"
        "@implementation\ndef nightmill_stages():\n    return [odd]\n",
        encoding="utf-8",
    )
    recipe = (tmp_path / "toy.yaml").read_text(encoding="utf-8")
    (tmp_path / "odd.yaml").write_text(recipe.replace("  - toy-level", "  - odd\n  - toy-level"), encoding="utf-8")
    for path in toy_night.glob("*.npy"):
        path.unlink()
    data = np.random.default_rng(1).integers(10, 200, (50, 24, 32)).astype(np.uint8)
    np.save(toy_night / "moon_20250205_213000_R.npy", data)
    done = run_toy("out", "odd.yaml", plugins=(str(TOY), str(file)))
    (moon,) = done.summary["captures"]
    assert moon["reason"] == f"stage 'odd' failed in apply: {reason}"


def test_decorators_stand_with_and_without_brackets() -> None:
    def twice(data, *, factor: float = stage.Field(2.0, description="Factor.")):
        """Multiply."""
        return data * factor

    for decorate, kind in ((stage.frame, "frame"), (stage.picture, "picture")):
        bare, called = decorate(twice), decorate(name="twice")(twice)
        assert (bare.name, bare.kind) == (called.name, called.kind) == ("twice", kind)
        assert bare.Parameters().factor == 2.0
    with pytest.raises(TypeError, match=r"say what it measures: @stage.survey\(gives="):
        stage.survey(twice)


def test_a_stage_that_would_end_the_program_costs_its_capture(toy_night: Path, run_toy, tmp_path: Path) -> None:
    file = tmp_path / "leaver.py"
    file.write_text(
        "import sys\nfrom nightmill import stage\nfrom nightmill.hooks import implementation\n\n"
        "@stage.survey(gives={'left': 'never'})\ndef leaver(data):\n    'Leave.'\n    sys.exit(3)\n\n"
        "@implementation\ndef nightmill_stages():\n    return [leaver]\n",
        encoding="utf-8",
    )
    recipe = (tmp_path / "toy.yaml").read_text(encoding="utf-8")
    (tmp_path / "leaving.yaml").write_text(
        recipe.replace("  - toy-level", "  - leaver\n  - toy-level"), encoding="utf-8"
    )
    for name in ("mars_20250205_203000_R", "mars_20250205_203200_G"):
        (toy_night / f"{name}.npy").unlink()
    done = run_toy("out", "leaving.yaml", plugins=(str(TOY), str(file)))
    assert done.exit_code == 1
    (moon,) = done.summary["captures"]
    assert moon["reason"] == "stage 'leaver' failed in measure: SystemExit: 3"
