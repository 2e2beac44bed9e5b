"""A real home-automation platform (Home Assistant, from PyPI) in an environment of its own, for tests.

It runs as its own process from a fresh folder, on loopback, and reaches no network: only the parts a test
needs are named in its configuration, and it installs nothing by itself. Everything is asked over its own
REST and WebSocket interfaces.

The environment is kept in ``$XDG_CACHE_HOME/duskward-tests`` (default ``~/.cache``) and used again.
``DUSKWARD_TEST_PLATFORM``: ``required`` fails where it can't be had (so does ``CI=true``), ``off`` skips.
``DUSKWARD_TEST_PLATFORM_PYTHON`` names the Python to make it with (3.12 or 3.13).
"""

import base64
import fcntl
import hashlib
import hmac
import json
import os
import secrets
import shutil
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib import error, request

import pytest
from support import LOOPBACK, PrivateBroker, free_port, listening, wait_for

from bridge.clock import SystemClock

VERSION = "2025.1.4"
PARTS = """
aiodns aiohasupervisor aiohttp aiohttp-cors aiohttp-fast-zlib aiozoneinfo astral async-interrupt
atomicwrites-homeassistant attrs awesomeversion bcrypt certifi ciso8601 cronsim cryptography fnv-hash-fast
hass-nabucasa home-assistant-frontend httpx ifaddr Jinja2 lru-dict numpy orjson packaging paho-mqtt Pillow
propcache psutil-home-assistant PyJWT pyOpenSSL python-slugify PyYAML requests securetar SQLAlchemy
typing-extensions ulid-transform urllib3 voluptuous voluptuous-openapi voluptuous-serialize webrtc-models yarl
audioop-lts;python_version>="3.13" standard-aifc;python_version>="3.13"
standard-telnetlib;python_version>="3.13"
"""
"""What the parts in use import; versions are the platform's own constraints."""
INSTALL_LIMIT_S = 900

_TEST_CLOCK = '''\
"""The test's clock for statistics: the platform works them out every five minutes, a test on request."""

from datetime import timedelta

from homeassistant.components.recorder import get_instance
from homeassistant.components.recorder.tasks import StatisticsTask
from homeassistant.util import dt as dt_util


async def async_setup(hass, config):
    async def work_out(call):
        now = dt_util.utcnow()
        start = now.replace(minute=now.minute - now.minute % 5, second=0, microsecond=0)
        recorder = get_instance(hass)
        recorder.queue_task(StatisticsTask(start - timedelta(minutes=5), False))
        recorder.queue_task(StatisticsTask(start, False))
        await recorder.async_block_till_done()

    hass.services.async_register("test_clock", "work_out_statistics", work_out)
    return True
'''


# ---------------------------------------------------------------- the environment


def _python() -> str | None:
    named = os.environ.get("DUSKWARD_TEST_PLATFORM_PYTHON")
    found = [named] if named else []
    for minor in ("3.12", "3.13"):
        found += [shutil.which(f"python{minor}") or ""]
        found += [str(one) for one in Path.home().glob(f".pyenv/versions/{minor}*/bin/python")]
    for one in found:
        if (
            one
            and subprocess.run(
                [one, "-c", "import ssl, sqlite3"], capture_output=True, check=False
            ).returncode
            == 0
        ):
            return one
    return None


def environment() -> Path:
    """The Python of the platform's environment; made on first use. Skips, or fails where it is required."""
    wish = os.environ.get("DUSKWARD_TEST_PLATFORM", "")
    required = wish == "required" or os.environ.get("CI") == "true"
    if wish == "off":
        pytest.skip("DUSKWARD_TEST_PLATFORM=off")
    try:
        return _environment()
    except (OSError, subprocess.SubprocessError, LookupError) as problem:
        said = f"the home-automation platform can't be had here: {problem}"
        if required:
            pytest.fail(said)
        pytest.skip(said)


def _environment() -> Path:
    base = _python()
    if base is None:
        raise LookupError("it needs Python 3.12 or 3.13; name one in DUSKWARD_TEST_PLATFORM_PYTHON")
    tag = subprocess.run(
        [base, "-c", "import sys; print('%d.%d' % sys.version_info[:2])"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.strip()
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "duskward-tests"
    folder = cache / f"home-platform-{VERSION}-python{tag}"
    cache.mkdir(parents=True, exist_ok=True)
    python, done = folder / "bin" / "python", folder / "installed"
    with (cache / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not done.exists():
            shutil.rmtree(folder, ignore_errors=True)
            _run(base, "-m", "venv", str(folder))
            _run(str(python), "-m", "pip", "install", "-q", "--no-deps", f"homeassistant=={VERSION}")
            constraints = next(folder.glob("lib/*/site-packages/homeassistant/package_constraints.txt"))
            _run(str(python), "-m", "pip", "install", "-q", "-c", str(constraints), *PARTS.split())
            done.touch()
    return python


def _run(*command: str) -> None:
    ran = subprocess.run(command, capture_output=True, text=True, check=False, timeout=INSTALL_LIMIT_S)
    if ran.returncode != 0:
        last = [
            line for line in ran.stderr.splitlines() if line.startswith("ERROR")
        ] or ran.stderr.splitlines()
        raise LookupError(f"{' '.join(command[:6])} failed: {' '.join(last[-2:])}")


# ---------------------------------------------------------------- the running platform


class HomePlatform:
    """The platform as a process: `api` and `socket` ask it, `state` and `wait_state` look at entities."""

    def __init__(self, python: Path, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.url = f"http://{LOOPBACK}:{self.port}"
        self._python = python
        self._log = folder / "platform.log"
        self._process: subprocess.Popen[bytes] | None = None
        self._key, self._token_id = secrets.token_hex(64), secrets.token_hex(16)
        self.token = self._signed()
        self._write_files()

    def _signed(self) -> str:
        """A long-lived token as the platform makes it: a JWT signed with the token's own key (RFC 7519)."""

        def part(value: dict[str, Any]) -> bytes:
            return base64.urlsafe_b64encode(json.dumps(value).encode()).rstrip(b"=")

        now_s = int(SystemClock().now().utc.timestamp())
        head = part({"alg": "HS256", "typ": "JWT"})
        body = part({"iss": self._token_id, "iat": now_s - 60, "exp": now_s + 86_400})
        mac = hmac.new(self._key.encode(), head + b"." + body, hashlib.sha256).digest()
        return b".".join((head, body, base64.urlsafe_b64encode(mac).rstrip(b"="))).decode()

    def _write_files(self) -> None:
        storage = self.folder / ".storage"
        storage.mkdir(parents=True)
        user = secrets.token_hex(16)
        auth = {
            "users": [
                {"id": user, "group_ids": ["system-admin"], "is_owner": True, "is_active": True,
                 "name": "Tester", "system_generated": False, "local_only": False}
            ],
            "groups": [{"id": f"system-{one}", "name": one} for one in ("admin", "users", "read-only")],
            "credentials": [],
            "refresh_tokens": [
                {"id": self._token_id, "user_id": user, "client_id": None, "client_name": "tests",
                 "client_icon": None, "token_type": "long_lived_access_token",
                 "created_at": SystemClock().now().utc.isoformat(), "access_token_expiration": 315_360_000.0,
                 "token": secrets.token_hex(64), "jwt_key": self._key, "last_used_at": None,
                 "last_used_ip": None, "expire_at": None, "credential_id": None, "version": VERSION}
            ],
        }  # fmt: skip
        done = {"done": ["user", "core_config", "integration", "analytics"]}
        for key, version, data in (("auth", 1, auth), ("onboarding", 4, done)):
            (storage / key).write_text(
                json.dumps({"version": version, "minor_version": 1, "key": key, "data": data})
            )
        clock = self.folder / "custom_components" / "test_clock"
        clock.mkdir(parents=True)
        (clock / "__init__.py").write_text(_TEST_CLOCK)
        (clock / "manifest.json").write_text(
            json.dumps({"domain": "test_clock", "name": "Test clock", "version": "1.0.0", "codeowners": [],
                        "dependencies": ["recorder"], "documentation": "", "iot_class": "calculated",
                        "integration_type": "system", "requirements": []})
        )  # fmt: skip

    def configure(self, more: str = "") -> None:
        """Write its configuration; `more` is added to it."""
        (self.folder / "configuration.yaml").write_text(
            f"""\
homeassistant:
  name: Quarry Lane
  latitude: 53.35
  longitude: -6.26
  elevation: 20
  unit_system: metric
  currency: EUR
  country: IE
  time_zone: Europe/Dublin
  packages: !include_dir_named packages
http: {{server_host: {LOOPBACK}, server_port: {self.port}}}
api:
config:
recorder: {{commit_interval: 0}}
history:
energy:
frontend:
test_clock:
logger: {{default: warning, logs: {{homeassistant.components.mqtt: info}}}}
{more}"""
        )
        (self.folder / "packages").mkdir(exist_ok=True)

    def start(self) -> None:
        """Start it and wait until it answers."""
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [self._python, "-m", "homeassistant", "-c", self.folder, "--skip-pip"],
                stdout=log, stderr=log, stdin=subprocess.DEVNULL, cwd=self.folder,
            )  # fmt: skip
        wait_for(
            lambda: self._process.poll() is not None or listening(LOOPBACK, self.port),
            120,
            "the platform's port",
        )
        wait_for(self._running, 120, f"the platform to run; it wrote: {self.log[-2000:]}")

    def _running(self) -> bool:
        assert self._process is not None
        if self._process.poll() is not None:
            raise AssertionError(f"the platform ended: {self.log[-3000:]}")
        try:
            return bool(self.api("GET", "config")["state"] == "RUNNING")
        except (OSError, ValueError):
            return False

    def stop(self) -> None:
        """End it and wait."""
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(30)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait(10)
            self._process = None

    @property
    def log(self) -> str:
        """What it wrote so far."""
        return self._log.read_text() if self._log.exists() else ""

    # ------------------------------------------------------------ its interfaces

    def api(self, method: str, path: str, body: object = None) -> Any:
        """One request to its REST interface. Raises AssertionError with its words where it refuses."""
        asked = request.Request(
            f"{self.url}/api/{path}",
            None if body is None else json.dumps(body).encode(),
            {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"},
            method=method,
        )
        try:
            with request.urlopen(asked, timeout=30) as answer:
                return json.load(answer)
        except error.HTTPError as problem:
            with problem:
                raise AssertionError(f"{method} {path}: {problem.code} {problem.read()[:500]!r}") from problem

    def call(self, domain: str, service: str, **data: object) -> None:
        """Call one of its services, as its dashboards do."""
        self.api("POST", f"services/{domain}/{service}", data)

    def socket(self, kind: str, **asked: object) -> Any:
        """One question over its WebSocket interface."""
        import asyncio

        import aiohttp

        async def ask() -> Any:
            async with (
                aiohttp.ClientSession() as session,
                session.ws_connect(f"{self.url}/api/websocket") as ws,
            ):
                await ws.receive_json()
                await ws.send_json({"type": "auth", "access_token": self.token})
                assert (await ws.receive_json())["type"] == "auth_ok"
                await ws.send_json({"id": 1, "type": kind, **asked})
                answer = await ws.receive_json()
                assert answer["success"], answer
                return answer["result"]

        return asyncio.run(asyncio.wait_for(ask(), 30))

    def add_broker(self, host: str, port: int) -> None:
        """Add the broker as a person does, through its configuration dialogue."""
        flow = self.api("POST", "config/config_entries/flow", {"handler": "mqtt"})
        done = self.api(
            "POST", f"config/config_entries/flow/{flow['flow_id']}", {"broker": host, "port": port}
        )
        assert done["type"] == "create_entry", done

    def states(self) -> dict[str, dict[str, Any]]:
        """All entities' states, by entity id."""
        return {one["entity_id"]: one for one in self.api("GET", "states")}

    def state(self, entity: str) -> str:
        """One entity's state; empty if it has no such entity."""
        try:
            return str(self.api("GET", f"states/{entity}")["state"])
        except AssertionError:
            return ""

    def wait_state(self, entity: str, wanted: str, limit_s: float = 20.0) -> None:
        """Wait until an entity has a state."""
        end_s = time.monotonic() + limit_s
        while (state := self.state(entity)) != wanted:
            if time.monotonic() > end_s:
                raise AssertionError(
                    f"{entity} is {state!r} and did not become {wanted!r} within {limit_s} s"
                )
            time.sleep(0.1)


@contextmanager
def home_platform(
    folder: Path, broker: PrivateBroker, more: str = "", packages: Mapping[str, str] | None = None
) -> Iterator[HomePlatform]:
    """A running platform on a broker; `packages` are configuration files it loads, by name."""
    platform = HomePlatform(environment(), folder)
    platform.configure(more)
    try:
        platform.start()
        platform.add_broker(broker.host, broker.port)
        platform.stop()
        # What people add later: routines that need the broker.
        for name, text in (packages or {}).items():
            (folder / "packages" / f"{name}.yaml").write_text(text)
        platform.start()
        yield platform
    finally:
        platform.stop()
