"""Messages in one's own words or language come from a file, and a mistake in it is told with the rest."""

import pytest

from bridge.config import ConfigurationError, parse, plan
from rules.aftermath import Aftermath
from rules.ports import Condition
from rules.wording import WORDS

TEXT = """
site:
  {id: lane, name: Lane, timezone: Europe/Dublin, latitude: 53.35, longitude: -6.26, wording_file: words.yaml}
broker: {host: mqtt.lan}
controllers:
  c1:
    reach: {kind: http, url: "http://10.0.5.20/s", ports: "outputs[*]", port: id, current: "ma | mA"}
    ports: {1: {name: Left}}
"""


def test_messages_come_from_the_file_and_the_rest_stays(tmp_path):
    """A translated message replaces ours; conditions the file leaves out keep their words."""
    (tmp_path / "words.yaml").write_text(
        'fuse-trip: {message: "{where}: Sicherung offen[, {measured}]", advice: Stecker trocknen.}\n'
        "after-trip: {not-set-up: Bleibt aus bis zum Rücksetzen.}\n"
    )
    site = plan(parse(TEXT, folder=tmp_path))
    assert site.wording.conditions[Condition.FUSE_TRIP].message.startswith("{where}: Sicherung")
    assert site.wording.conditions[Condition.LEAKAGE] == WORDS[Condition.LEAKAGE]
    assert site.wording.aftermaths[Aftermath.NOT_SET_UP] == "Bleibt aus bis zum Rücksetzen."


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("fuse-tripp: {message: x}\n", "fuse-tripp"),
        ('fuse-trip: {message: "{wher}"}\n', "where"),
        ("after-trip: {no-shwo: x}\n", "no-shwo"),
        ("fuse-trip: nonsense\n", "message and advice"),
        ("fuse-trip: {message: [1\n", "words.yaml"),
        (None, "can't be read"),
    ],
)
def test_a_mistake_in_the_wording_is_one_clear_problem(tmp_path, words, said):
    """An unknown condition, a wrong placeholder, a broken or missing file is refused with what is wrong."""
    if words is not None:
        (tmp_path / "words.yaml").write_text(words)
    with pytest.raises(ConfigurationError) as caught:
        parse(TEXT, folder=tmp_path)
    assert len(caught.value.problems) == 1
    assert said in str(caught.value)
