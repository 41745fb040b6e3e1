"""The AsyncAPI 3 document of the MQTT interface."""

import json
import re
from pathlib import Path

from quietcell import __version__
from quietcell.service.interface.catalogue import TOPICS, Topic
from quietcell.service.interface.dataclass_schema import Schema
from quietcell.service.interface.payloads import DIALECT, all_schemas

_PARAMETERS = {
    "site": "Name of the site.",
    "cell": "Name of the cell.",
    "alarm": "Name of the alarm.",
}
_ANSWER: Schema = {
    "address": None,
    "summary": "Answers, on the topic that whoever asked names, with the correlation data of MQTT 5.",
    "messages": {
        name: {"$ref": f"#/components/messages/{name}"}
        for name in dict.fromkeys(name for topic in TOPICS for name in topic.answers)
    },
}


def document() -> Schema:
    """Return the document; payloads are described within it."""
    carried = {name for topic in TOPICS for name in (topic.carries, *topic.answers)}
    schemas = {name: schema for name, schema in all_schemas().items() if name in carried}
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "quietcell",
            "version": __version__,
            "description": "Results, refusals, suspected causes, alarms and live values of pH measurements "
            "in purified water. Records come at least once, in order but for those refused or "
            "asked for and sent again; drop repeats by (ledger, seq).",
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "channels": {**{topic.name: _channel(topic) for topic in TOPICS}, "answer": _ANSWER},
        "operations": {f"{topic.direction}-{topic.name}": _operation(topic) for topic in TOPICS},
        "components": {
            "messages": {
                name: {"name": name, "payload": {"$ref": f"#/components/schemas/{name}"}} for name in schemas
            },
            "schemas": schemas,
        },
    }


def _channel(topic: Topic) -> Schema:
    named = re.findall(r"{(\w+)}", topic.address)
    return {
        "address": topic.address,
        "summary": topic.summary,
        "parameters": {name: {"description": _PARAMETERS[name]} for name in named},
        "messages": {topic.carries: {"$ref": f"#/components/messages/{topic.carries}"}},
    }


def _operation(topic: Topic) -> Schema:
    operation: Schema = {
        "action": topic.direction,
        "channel": {"$ref": f"#/channels/{topic.name}"},
        "summary": topic.summary,
        "messages": [{"$ref": f"#/channels/{topic.name}/messages/{topic.carries}"}],
        "bindings": {"mqtt": {"qos": topic.qos, "retain": topic.retain, "bindingVersion": "0.2.0"}},
    }
    if topic.answers:
        operation["reply"] = {
            "address": {
                "location": "$message.payload#/response_topic",
                "description": "Or the response topic of MQTT 5, which counts where both are there.",
            },
            "channel": {"$ref": "#/channels/answer"},
            "messages": [{"$ref": f"#/channels/answer/messages/{name}"} for name in topic.answers],
        }
    return operation


def files() -> dict[str, str]:
    """Return the files of the description, names to texts."""
    whole = {"asyncapi.json": document()}
    for name, schema in all_schemas().items():
        whole[f"schemas/{name}.json"] = {"$schema": DIALECT, **schema}
    return {name: json.dumps(value, indent=2, ensure_ascii=False) + "\n" for name, value in whole.items()}


def write(folder: Path) -> int:
    """Write the description into a folder; returns how many files there are now."""
    texts = files()
    for name, text in texts.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return len(texts)
