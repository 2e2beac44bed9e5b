"""The file → `Settings`, or every problem in it at once."""

from pathlib import Path

from pydantic import ValidationError

from bridge.config.base import Findings
from bridge.config.cross import cross_check
from bridge.config.messages import problems_of
from bridge.config.reach import MqttReach
from bridge.config.reach_common import ReachTls
from bridge.config.reach_mqtt import ReachBroker
from bridge.config.reader import MAX_BYTES, Node, decode, plain, read, shown
from bridge.config.settings import Settings
from bridge.errors import ConfigurationError, Problem


def load(path: str | Path) -> Settings:
    """Read a configuration file. Raises ConfigurationError with all problems, in the order of the file.

    Relative paths in the file are relative to its folder.
    """
    path = Path(path)
    try:
        with path.open("rb") as stream:
            content = stream.read(MAX_BYTES * 4 + 1)
    except OSError as error:
        what = f"the configuration file can't be read: {error.strerror}"
        right = "check the path and its permissions; README.md has a small file to begin with"
        raise ConfigurationError([Problem(what, right, str(path))]) from None
    return parse(decode(content, str(path)), file=str(path), folder=path.absolute().parent)


def parse(text: str, *, file: str = "", folder: Path | None = None) -> Settings:
    """As `load`, from text. `file` is the name in messages, `folder` what relative paths are relative to."""
    root, problems = read(text, file)
    made: dict[int, Node] = {}
    data = plain(root, made)
    findings = Findings(folder or Path.cwd())
    settings, broken = None, list[Problem]()
    try:
        settings = Settings.model_validate(data, context=findings)
    except ValidationError as error:
        # Handed on as sentences only: the library's error knows the values, and a value may be a secret.
        broken = list(problems_of(error, root, file, Settings))
    problems += broken
    paths = _paths(root)
    for mapping, key, what, right in findings.misplaced:
        node = made[id(mapping)]
        place = node.keys[key]
        path = ".".join(filter(None, (paths.get(id(node)), shown(key))))
        problems.append(Problem(what, right, file, place.line, place.column, path))

    def tell(node: Node, path: str, what: str, right: str) -> None:
        problems.append(Problem(what, right, file, node.place.line, node.place.column, path))

    cross_check(root, tell)
    if problems or settings is None:
        raise ConfigurationError(sorted(dict.fromkeys(problems), key=lambda one: (one.line, one.column)))
    return _with_site_broker(settings)


def _with_site_broker(settings: Settings) -> Settings:
    """Controllers that publish by themselves and name no broker publish to the site's."""
    site = settings.broker
    found = {}
    for name, controller in settings.controllers.items():
        reach = controller.reach
        if isinstance(reach, MqttReach) and reach.broker is None:
            tls = None
            if site.tls is not None:
                tls = ReachTls.model_construct(
                    ca_file=site.tls.ca_file, cert_file=site.tls.cert_file, key_file=site.tls.key_file
                )
            # Checked already, as the site's own broker.
            broker = ReachBroker.model_construct(
                host=site.host,
                port=site.port,
                username=site.username,
                password_file=site.password_file,
                password_env=site.password_env,
                tls=tls,
            )
            found[name] = controller.model_copy(update={"reach": reach.model_copy(update={"broker": broker})})
    return settings.model_copy(update={"controllers": settings.controllers | found}) if found else settings


def _paths(root: Node) -> dict[int, str]:
    """The path of keys of every node."""
    found: dict[int, str] = {}
    todo = [(root, "")]
    while todo:
        node, path = todo.pop()
        found[id(node)] = path
        inner = [*node.items(), *enumerate(node.entries())]
        todo += [(value, f"{path}.{shown(key)}" if path else shown(key)) for key, value in inner]
    return found
