"""Questions to the person at the terminal: what looking can't tell."""

import json
from collections.abc import Callable
from typing import Any

import typer


def ask_unit(name: str, why: str) -> str | None:
    """Amperes or milliamperes? None where the person does not know."""
    typer.echo(f"\n{name}: {why}.", err=True)
    known = {"a": "A", "ma": "mA", "ua": "µA", "µa": "µA"}
    while True:
        said = typer.prompt(
            "Its unit: A, mA, µA, or Enter if you don't know", default="", show_default=False, err=True
        )
        if not said.strip():
            return None
        if (unit := known.get(said.strip().lower())) is not None:
            return unit
        typer.echo(f"{said!r} is no unit of current here.", err=True)


def ask_switch(kind: str, problem: Callable[[dict[str, Any]], str]) -> dict[str, Any] | None:
    """The switching command, asked part by part until it can be meant; None where it is left out."""
    what = "address" if kind == "http" else "topic"
    typer.echo(
        "\nHow a port is switched can't be seen by looking. "
        "{port} stands for its number, {power} for on or off.",
        err=True,
    )
    while True:
        place = typer.prompt(
            f"The {what} that switches, or Enter to leave it out", default="", show_default=False, err=True
        )
        if not place.strip():
            return None
        send = _http(place.strip()) if kind == "http" else _mqtt(place.strip())
        wrong = problem(send)
        if not wrong:
            return send
        typer.echo(f"Not yet: {wrong}.", err=True)


def _http(url: str) -> dict[str, Any]:
    send: dict[str, Any] = {"url": url}
    send["method"] = (
        typer.prompt("Method (GET, POST, PUT, PATCH, DELETE)", default="POST", err=True).strip().upper()
    )
    if send["method"] != "GET":
        body = typer.prompt('Body as JSON, such as {"live": "{power}"}, or Enter for none', default="",
                            show_default=False, err=True)  # fmt: skip
        if body.strip():
            try:
                send["json"] = json.loads(body)
            except ValueError:
                send["body"] = body
    return send | _words()


def _mqtt(topic: str) -> dict[str, Any]:
    payload = typer.prompt("Payload", default="{power}", err=True)
    return {"topic": topic, "payload": payload} | _words()


def _words() -> dict[str, Any]:
    question = "How on and off are spelled there, such as 'up down', or Enter for the usual"
    said = typer.prompt(question, default="", show_default=False, err=True).split()
    return {"on": said[0], "off": said[1]} if len(said) == 2 else {}
