"""Wrong recipes, night files and plugins, each with what the user is told; the guides show these as tables."""

from __future__ import annotations

OK = "nightmill: 1\nstages: [ingest, grade, align, stack, compose]\n"


def chain(text: str) -> str:
    """Return a recipe whose stack and compose are as given."""
    return f"nightmill: 1\nstages:\n  - ingest\n  - grade\n  - align\n{text}"


RECIPES: dict[str, str] = {
    "no format": "stages: [ingest, grade, align, stack, compose]\n",
    "another format": "nightmill: 2\nstages: [ingest, grade, align, stack, compose]\n",
    "a name misspelt": OK + "titel: Jupiter\n",
    "no stages": "nightmill: 1\ntitle: Jupiter\n",
    "stages that are no list": "nightmill: 1\nstages: ingest\n",
    "stages by name": "nightmill: 1\nstages:\n  ingest: {}\n  stack: {}\n",
    "a stage misspelt": "nightmill: 1\nstages: [ingest, grade, align, stak, compose]\n",
    "a stage of a plugin that is not here": "nightmill: 1\nstages: [ingest, grade, align, qqq-xyzzy, compose]\n",
    "two stages in one entry": chain("  - stack: {}\n    compose: {}\n"),
    "a number for a stage": "nightmill: 1\nstages: [ingest, grade, align, stack, compose, 7]\n",
    "a parameter misspelt": chain("  - stack: {shar: 0.2}\n  - compose\n"),
    "a parameter of a group misspelt": chain("  - stack\n  - compose: {channels: {rad: R}}\n"),
    "a number out of range": chain("  - stack: {clip: 1}\n  - compose\n"),
    "a number out of range, or a word": chain("  - stack: {share: 20}\n  - compose\n"),
    "a percentage": chain("  - stack: {share: 20%}\n  - compose\n"),
    "no unit": chain("  - stack\n  - compose: {window: 15}\n"),
    "an unknown unit": chain("  - stack\n  - compose: {window: 15 minits}\n"),
    "a unit of another kind": chain("  - stack\n  - compose: {window: 15 arcsec}\n"),
    "a unit without a number": chain("  - stack\n  - compose: {window: min}\n"),
    "a quantity out of range": chain("  - stack\n  - compose: {window: -5 min}\n"),
    "a word for true or false": chain("  - stack\n  - compose: {singles: perhaps}\n"),
    "a choice misspelt": chain("  - stack\n  - compose: {balance: atuo}\n"),
    "a list for a number": chain("  - stack: {clip: [5]}\n  - compose\n"),
    "a value where parameters belong": chain("  - stack: 0.2\n  - compose\n"),
    "stages out of order": "nightmill: 1\nstages: [ingest, align, grade, stack, compose]\n",
    "kinds out of order": "nightmill: 1\nstages: [ingest, grade, align, compose, stack]\n",
    "no source": "nightmill: 1\nstages: [grade, align, stack, compose]\n",
    "no fold": "nightmill: 1\nstages: [ingest, grade, align, compose]\n",
    "no picture stage": "nightmill: 1\nstages: [ingest, grade, align, stack]\n",
    "two folds": "nightmill: 1\nstages: [ingest, grade, align, stack, master-dark, compose]\n",
    "the same stage again": "nightmill: 1\nstages: [ingest, grade, grade, align, stack, compose]\n",
    "for what": OK + "for: {target: [mars]}\n",
    "targets that are no list": OK + "for: {targets: mars}\n",
    "extends nothing": "nightmill: 1\nextends: quick-lok\n",
    "extends and stages": "nightmill: 1\nextends: quick-look\nstages: [ingest]\n",
    "change without extends": OK + "change: {stack: {share: 0.2}}\n",
    "change of no stage": "nightmill: 1\nextends: quick-look\nchange: {stak: {share: 0.2}}\n",
    "change out of range": "nightmill: 1\nextends: quick-look\nchange: {stack: {share: 2}}\n",
    "a name twice": OK + "title: a\ntitle: b\n",
    "a bracket left open": "nightmill: 1\nstages: [ingest, grade\n",
    "a tab": "nightmill: 1\nstages:\n\t- ingest\n",
    "a colon in a text": OK + "title: Jupiter: colour\n",
    "an anchor": "nightmill: 1\nstages: &all [ingest]\n",
    "an object": "nightmill: 1\ntitle: !!python/object:os.system x\n",
}

NIGHTS: dict[str, str] = {
    "a section misspelt": "telescop: {aperture: 203 mm}\n",
    "a key misspelt": "telescope: {apperture: 203 mm}\n",
    "a length without unit": "telescope: {aperture: 203}\n",
    "a latitude out of range": "site: {latitude: 97 deg}\n",
    "an obstruction in per cent": "telescope: {obstruction: 33}\n",
    "a field of names unknown": "names: '{planet}_{date}'\n",
}

HEAD = "from nightmill import stage\nfrom nightmill.hooks import implementation\nimport numpy as np\n"
HAND = "\n@implementation\ndef nightmill_stages():\n    return [Grade]\n"


def survey(body: str = "", *, head: str = "class Grade(stage.Survey):", name: str = "name = 'my-grade'") -> str:
    """Return a plugin with one survey stage, something of it replaced."""
    return (
        f"{HEAD}\n{head}\n    'Grade.'\n    {name}\n    gives = {{'mine': 'mine, 0 to 1'}}\n    {body}\n"
        "    def measure(self, frames, rows, context):\n        return {'mine': np.ones(len(frames))}\n" + HAND
    )


PLUGINS: dict[str, str] = {
    "it does not import": "import no_such_module_here\n",
    "it raises": "value = 1 / 0\n",
    "it ends the program": "raise SystemExit(3)\n",
    "it is not Python": "def broken(:\n",
    "another interface": "nightmill_api = 2\nimport no_such_module_here\n",
    "a hook misspelt": HEAD + "@implementation\ndef nightmill_stage():\n    return []\n",
    "a hook not marked": HEAD + "def nightmill_stages():\n    return []\n",
    "no hook at all": HEAD,
    "a hook with an argument": HEAD + "@implementation\ndef nightmill_stages(night):\n    return []\n",
    "a hook that wraps others": HEAD + "@implementation(wrapper=True)\ndef nightmill_stages():\n    return (yield)\n",
    "a hook that returns nothing": HEAD + "@implementation\ndef nightmill_stages():\n    pass\n",
    "a class instead of a list": survey().replace("[Grade]", "Grade"),
    "an instance instead of the class": survey().replace("[Grade]", "[Grade()]"),
    "a plain function": HEAD + "def grade(data):\n    return data\n" + HAND.replace("Grade", "grade"),
    "a stage of no kind": survey(head="class Grade(stage.Stage):"),
    "a name with capitals": survey(name="name = 'MyGrade'"),
    "no name": survey(name="pass"),
    "no docstring": survey().replace("    'Grade.'\n", ""),
    "a method not written": survey().replace("def measure", "def meassure"),
    "a version that is a number": survey("version = 2"),
    "needs that is a text": survey("needs = 'level'"),
    "uses an unknown section": survey("uses = ('telescop',)"),
    "no columns": survey().replace("gives = {'mine': 'mine, 0 to 1'}", "pass"),
    "a column of the engine": survey().replace("gives = {'mine'", "gives = {'utc'"),
    "a parameter without a sentence": survey("class Parameters(stage.Parameters):\n        limit: float = 1.0"),
    "a default out of range": survey(
        "class Parameters(stage.Parameters):\n        limit: float = stage.Field(2.0, le=1, description='Limit.')"
    ),
    "parameters of another class": survey("class Parameters:\n        limit = 1.0"),
    "two stages of one name": survey().replace("[Grade]", "[Grade, Grade]"),
    "a writer's class": HEAD + "from nightmill.hooks import Writer\nclass Mine(Writer):\n    name, suffix = 'a', '.a'\n"
    "@implementation\ndef nightmill_writers():\n    return [Mine]\n",
    "recipes that are not there": HEAD + "from pathlib import Path\n@implementation\ndef nightmill_recipes():\n"
    "    return [Path('no-such-folder')]\n",
}
