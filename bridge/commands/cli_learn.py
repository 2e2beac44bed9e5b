"""`duskward learn` on the command line: options to what `bridge.learn` takes."""

import re
from pathlib import Path
from typing import Annotated, Any

import typer


def learn(
    targets: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="TARGET",
            help="http(s)://… (several of one controller too), mqtt://HOST/TOPIC/PREFIX, hwmon, or a "
            "folder laid out like /sys.",
            show_default=False,
        ),
    ] = None,
    *,
    method: Annotated[str, typer.Option("--method", help="GET or POST.")] = "GET",
    body: Annotated[
        str | None,
        typer.Option("--body", help="JSON to ask with, by POST.", show_default=False),
    ] = None,
    numbers: Annotated[
        str | None,
        typer.Option("--numbers", help="Ports of an address with {port}: 1-8, or 1,2,5.", show_default=False),
    ] = None,
    asks: Annotated[int, typer.Option("--asks", min=1, max=20, help="So often it is asked.")] = 3,
    topic: Annotated[
        str | None,
        typer.Option("--topic", help="Topic prefix, instead of the target's path.", show_default=False),
    ] = None,
    for_s: Annotated[
        float | None,
        typer.Option(
            "--for", min=0.1, help="Seconds to listen (8), or to watch (until Ctrl-C).", show_default=False
        ),
    ] = None,
    watch: Annotated[bool, typer.Option("--watch", help="Then watch, and mark what changes.")] = False,
    username: Annotated[
        str | None, typer.Option("--username", help="Login, where it asks for one.", show_default=False)
    ] = None,
    password_file: Annotated[
        Path | None, typer.Option("--password-file", help="File with its password.", show_default=False)
    ] = None,
    password_env: Annotated[
        str | None, typer.Option("--password-env", help="Variable with its password.", show_default=False)
    ] = None,
    token_file: Annotated[
        Path | None, typer.Option("--token-file", help="File with a bearer token.", show_default=False)
    ] = None,
    token_env: Annotated[
        str | None, typer.Option("--token-env", help="Variable with a bearer token.", show_default=False)
    ] = None,
    ca_file: Annotated[
        Path | None, typer.Option("--ca-file", help="An authority of your own.", show_default=False)
    ] = None,
    insecure: Annotated[bool, typer.Option("--insecure", help="Do not check its certificate.")] = False,
    unit: Annotated[
        str | None, typer.Option("--unit", help="Unit of the current: A, mA or µA.", show_default=False)
    ] = None,
    switch_url: Annotated[
        str | None,
        typer.Option("--switch-url", help="Address that switches, with {port}.", show_default=False),
    ] = None,
    switch_method: Annotated[str, typer.Option("--switch-method", help="Its method.")] = "POST",
    switch_json: Annotated[
        str | None, typer.Option("--switch-json", help="Its JSON body, with {power}.", show_default=False)
    ] = None,
    switch_body: Annotated[
        str | None, typer.Option("--switch-body", help="Its body as text.", show_default=False)
    ] = None,
    switch_topic: Annotated[
        str | None,
        typer.Option("--switch-topic", help="Topic that switches, with {port}.", show_default=False),
    ] = None,
    switch_payload: Annotated[str, typer.Option("--switch-payload", help="Its payload.")] = "{power}",
    switch_on: Annotated[
        str | None, typer.Option("--switch-on", help="How on is spelled there.", show_default=False)
    ] = None,
    switch_off: Annotated[
        str | None, typer.Option("--switch-off", help="How off is spelled there.", show_default=False)
    ] = None,
    clear_url: Annotated[
        str | None, typer.Option("--clear-url", help="Address that clears a fuse.", show_default=False)
    ] = None,
    clear_method: Annotated[str, typer.Option("--clear-method", help="Its method.")] = "POST",
    clear_json: Annotated[
        str | None, typer.Option("--clear-json", help="Its JSON.", show_default=False)
    ] = None,
    name: Annotated[str, typer.Option("--name", help="Id of the controller in the draft.")] = "controller-1",
    out: Annotated[
        Path | None, typer.Option("--out", help="File for the draft.", show_default="standard output")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite that file.")] = False,
    whole: Annotated[bool, typer.Option("--whole", help="A whole first file, with site and broker.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    trying: Annotated[
        tuple[Path, str] | None,
        typer.Option(
            "--try",
            metavar="FILE PORT",
            help="Prove a mapping: switch this port (gable/1) off, on and off, and see whether it follows.",
            show_default=False,
        ),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="With --try: do not ask before power is switched.")
    ] = False,
) -> None:
    """Look at a controller and draft its configuration.

    It says what is what, and how sure it is. Looking switches nothing. --try, which proves a draft on one
    port, does: keep hands off the string, and watch the port.
    """
    if trying is not None:
        if targets:
            raise typer.BadParameter("--try proves what stands in FILE; leave the target out.")
        from bridge.learn.trying_view import try_port

        if not try_port(*trying, yes=yes, as_json=as_json):
            raise typer.Exit(1)
        return
    if not targets:
        raise typer.BadParameter(
            "name a target: an address, mqtt://HOST/TOPIC, hwmon or a folder; or --try FILE PORT.",
            param_hint="TARGET",
        )
    from bridge.learn.command import Options
    from bridge.learn.command import learn as run
    from bridge.learn.fetch import Login

    login = Login(username, password_file, password_env, token_file, token_env, ca_file, insecure)
    words: dict[str, Any] = {"on": switch_on, "off": switch_off} if switch_on or switch_off else {}
    switch: dict[str, Any] | None = None
    if switch_url is not None:
        switch = _send(switch_url, switch_method, switch_json, switch_body) | words
    elif switch_topic is not None:
        switch = {"topic": switch_topic, "payload": switch_payload} | words
    options = Options(
        topic=topic,
        method="POST" if _one_of(method, ("GET", "POST"), "--method") == "POST" else "GET",
        body=body,
        numbers=_numbers(numbers) if numbers else (),
        asks=asks,
        for_s=for_s if for_s is not None else 8.0,
        login=login,
        controller=_id(name),
        unit=_unit(unit) if unit else None,
        switch=switch,
        clear=_send(clear_url, clear_method, clear_json, None) if clear_url is not None else None,
        watch=watch,
        watch_s=for_s,
        out=out,
        force=force,
        whole=whole,
        as_json=as_json,
    )
    if not run(targets, options):
        raise typer.Exit(1)


def _send(url: str, method: str, json_text: str | None, body: str | None) -> dict[str, Any]:
    import json

    send: dict[str, Any] = {
        "url": url,
        "method": _one_of(method, ("GET", "POST", "PUT", "PATCH", "DELETE"), "--switch-method"),
    }
    if json_text is not None:
        try:
            send["json"] = json.loads(json_text)
        except ValueError as error:
            raise typer.BadParameter(f"{json_text!r} is no JSON: {error}.") from None
    if body is not None:
        send["body"] = body
    return send


def _one_of(said: str, known: tuple[str, ...], option: str) -> str:
    if said.upper() not in known:
        raise typer.BadParameter(f"{said!r} is no method here; say {', '.join(known)}.", param_hint=option)
    return said.upper()


def _numbers(text: str) -> tuple[int, ...]:
    found: list[int] = []
    for part in text.split(","):
        span = re.fullmatch(r"\s*(\d{1,4})\s*(?:-\s*(\d{1,4})\s*)?", part)
        if span is None or int(span[2] or span[1]) < int(span[1]):
            raise typer.BadParameter(f"{text!r}: write port numbers as 1-8 or 1,2,5.", param_hint="--numbers")
        found += range(int(span[1]), int(span[2] or span[1]) + 1)
    return tuple(dict.fromkeys(found))


def _unit(text: str) -> str:
    known = {"a": "A", "ma": "mA", "ua": "µA", "µa": "µA"}
    if text.lower() not in known:
        raise typer.BadParameter(
            f"{text!r} is no unit of current here; say A, mA or µA.", param_hint="--unit"
        )
    return known[text.lower()]


def _id(text: str) -> str:
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", text):
        raise typer.BadParameter(
            f"{text!r} can't be an id: lower case letters, digits and hyphens, such as gable.",
            param_hint="--name",
        )
    return text
