"""MQTT topic names and filters against the standard and against paho-mqtt.

Source of the rules: MQTT Version 3.1.1 (OASIS, 2014; ISO/IEC 20922:2016), section 4.7
"Topic Names and Topic Filters", normative statements MQTT-4.7.1-1 to 4.7.3-3; the examples
`sport/tennis/player1/#` and `$SYS/monitor/Clients` are the standard's own. The rows and the
`paho_mqtt_result` column were made with paho-mqtt 2.2.0.
"""

from __future__ import annotations

import csv
from pathlib import Path

import aiomqtt
import paho.mqtt.client as paho
import pytest

from dewline.followers.mqtt.messages import Topics, valid_name

DATA = Path(__file__).parent / "data"


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def spelled_out(text: str) -> str:
    """The string that a cell stands for."""
    if text.startswith("x*"):
        return "x" * int(text.split(maxsplit=1)[0][2:])
    return text.replace("\\x00", "\0")


MATCH = rows("mqtt_match.csv")
VALIDITY = rows("mqtt_validity.csv")


def test_the_tables_are_whole() -> None:
    """20 rows of matching and 22 of validity: a lost row would be a lost check."""
    assert (len(MATCH), len(VALIDITY)) == (20, 22)


@pytest.mark.parametrize("row", MATCH, ids=lambda row: f"{row['filter']} {row['topic']}")
def test_matching(row: dict[str, str]) -> None:
    """What the libraries we build on call a match is what the standard calls one."""
    expected = row["expected_match"] == "1"
    assert paho.topic_matches_sub(row["filter"], row["topic"]) is expected
    # aiomqtt leaves out the rule for topics that begin with $; we listen to none of those.
    if not row["topic"].startswith("$") or row["filter"].startswith("$"):
        assert aiomqtt.Topic(row["topic"]).matches(row["filter"]) is expected


@pytest.mark.parametrize(
    "row",
    [row for row in VALIDITY if row["kind"] == "topic"],
    ids=lambda row: str(row["string"]),
)
def test_validity(row: dict[str, str]) -> None:
    """Our own judgement of names is the standard's, in all rows."""
    assert valid_name(spelled_out(row["string"])) is (row["valid_per_standard"] == "1")


@pytest.mark.parametrize("row", VALIDITY, ids=lambda row: f"{row['kind']} {row['string']}")
def test_where_paho_differs(row: dict[str, str]) -> None:
    """paho lets an empty name and U+0000 pass (so we judge ourselves); elsewhere it agrees."""
    text = spelled_out(row["string"]).encode()
    if row["kind"] == "topic":
        try:
            paho.Client._raise_for_invalid_topic(text)
            passes = True
        except ValueError:
            passes = False
    else:
        passes = paho.Client._filter_wildcard_len_check(text) == paho.MQTT_ERR_SUCCESS
    assert passes is (row["paho_mqtt_result"] == "1")


def test_every_topic_of_ours_is_valid() -> None:
    """Names of the house's grammar give names that the standard allows, at full length too."""
    long = "a" * 40
    topics = Topics("dewline", long)
    names = [topics.state, topics.heartbeat, topics.event, topics.command, topics.result]
    names += [topics.alarm(f"{long}.{long}"), topics.reading(f"{long}.{long}")]
    names += [topics.ledger(long, "sensor-response")]
    assert all(valid_name(name) for name in names)
    for filter_ in (topics.any_alarm, topics.any_reading):
        assert paho.Client._filter_wildcard_len_check(filter_.encode()) == paho.MQTT_ERR_SUCCESS
    assert paho.topic_matches_sub(topics.any_alarm, topics.alarm("heron.moisture-high"))
    assert not paho.topic_matches_sub(topics.any_alarm, topics.reading("heron.moisture"))
