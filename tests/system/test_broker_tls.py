"""A broker behind TLS, passwords and client certificates, as a site would run it."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from support.broker import Broker, Witness, require
from support.certificates import Authority
from support.daemon import DaemonProcess, station_text, swathe, wait_for
from support.watch import WatchProcess
from swathe_simulators import World

pytestmark = pytest.mark.slow

Serve = Callable[..., World]
Start = Callable[..., DaemonProcess]
Brokers = Callable[..., Broker]


@pytest.fixture
def brokers(tmp_path: Path) -> Iterator[Brokers]:
    """Return a function that starts a broker with settings of its own."""
    with ExitStack() as stack:

        def start(*settings: str) -> Broker:
            broker = Broker(tmp_path, *settings)
            broker.start()
            stack.callback(broker.stop)
            return broker

        yield start


def passwords(folder: Path, **users: str) -> str:
    """Return the broker's setting that names a file with these passwords."""
    program = require("mosquitto_passwd", "mosquitto")
    path = folder / "passwords"
    for k, (name, word) in enumerate(users.items()):
        options = ["-b", *(["-c"] if k == 0 else [])]
        subprocess.run([program, *options, str(path), name, word], check=True, capture_output=True)
    return f"password_file {path}"


def station(folder: Path, ports: Path, broker: Broker, **more: object) -> Path:
    """Return a station file whose table [broker] has `more`."""
    path = folder / "station.toml"
    text = station_text("penstock", ports, speed=10, broker_port=broker.port)
    path.write_text(text + "".join(f"{key} = {json.dumps(value)}\n" for key, value in more.items()))
    return path


def survey_begun(folder: Path) -> bool:
    """Return whether the daemon is up."""
    return (folder / "survey" / "survey.json").exists()


def test_tls_password_and_client_certificate(
    serve: Serve,
    daemon: Start,
    ports: Path,
    tmp_path: Path,
    brokers: Brokers,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Everything at once: the broker proves itself, so does the station, and it has a password."""
    authority = Authority(tmp_path)
    certificate, key = authority.sign("broker")
    authority.sign("station", host="DNS:station", phrase="hushhush")
    broker = brokers(
        f"cafile {authority.certificate}",
        f"certfile {certificate}",
        f"keyfile {key}",
        "require_certificate true",
        "allow_anonymous false",
        passwords(tmp_path, penstock="swordfish"),
    )
    monkeypatch.setenv("SWATHE_BROKER_PASSWORD", "swordfish")
    monkeypatch.setenv("SWATHE_KEY_PHRASE", "hushhush")
    path = station(
        tmp_path,
        ports,
        broker,
        tls=True,
        ca_file="authority.pem",
        certificate_file="station.pem",
        key_file="station.key",
        key_password_variable="SWATHE_KEY_PHRASE",  # noqa: S106  the variable
        username="penstock",
        password_variable="SWATHE_BROKER_PASSWORD",  # noqa: S106  the variable
    )
    # The witness has a certificate of its own, as its key needs no phrase.
    witness_certificate, witness_key = authority.sign("witness", host="DNS:witness")
    heard = Witness(
        broker.port,
        "swathe/#",
        options=(
            *("--cafile", str(authority.certificate), "--cert", str(witness_certificate)),
            *("--key", str(witness_key), "-u", "penstock", "-P", "swordfish"),
        ),
    )
    serve("penstock", speed=10)
    process = daemon(path)
    wait_for(lambda: survey_begun(tmp_path), 20, "the record")
    time.sleep(4)
    process.signal(signal.SIGTERM)
    code, output = process.finish()
    assert code == 3, output
    assert "broker" not in output, output
    kinds = {topic.split("/")[2] for _, topic, _ in heard.close()}
    assert {"state", "progress", "port", "rescan"} <= kinds


def test_wrong_password_is_told_plainly_and_not_hammered(
    serve: Serve,
    daemon: Start,
    ports: Path,
    tmp_path: Path,
    brokers: Brokers,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The scan goes on; the key and the variable are named; the broker is asked once, not on and on."""
    broker = brokers("allow_anonymous false", passwords(tmp_path, penstock="swordfish"))
    monkeypatch.setenv("SWATHE_BROKER_PASSWORD", "codfish")
    path = station(
        tmp_path,
        ports,
        broker,
        username="penstock",
        password_variable="SWATHE_BROKER_PASSWORD",  # noqa: S106  the variable
    )
    serve("penstock", speed=10)
    process = daemon(path)
    wait_for(lambda: survey_begun(tmp_path), 20, "the record")
    time.sleep(6)
    process.signal(signal.SIGTERM)
    code, output = process.finish()
    assert code == 3, output
    told = " ".join(output.split())
    assert "denies access to user 'penstock'" in told
    assert "SWATHE_BROKER_PASSWORD holds a wrong password" in told
    assert told.count("denies access to user") == 1
    assert "codfish" not in output
    # One connection for each protocol version at most, in six seconds.
    assert broker.log.read_text().count("New connection") <= 2 + 1  # and the test's own first look


@pytest.mark.parametrize(
    ("server", "ca", "told"),
    [
        ("IP:127.0.0.1", "other", "not signed by the expected authority: check 'broker.ca_file'"),
        ("DNS:elsewhere", "authority", "certificate is not for '127.0.0.1'"),
        ("IP:127.0.0.1", None, "not signed by an authority that this machine trusts: name its"),
    ],
)
def test_broker_that_cannot_prove_itself(
    tmp_path: Path, brokers: Brokers, server: str, ca: str | None, told: str
) -> None:
    """A broker with a wrong certificate is not talked to, and what to look at is told."""
    authority, other = Authority(tmp_path), Authority(tmp_path, "other")
    certificate, key = authority.sign("broker", host=server)
    broker = brokers(f"certfile {certificate}", f"keyfile {key}", "allow_anonymous true")
    files = {"authority": authority.certificate, "other": other.certificate}
    options = ["--tls"] if ca is None else ["--ca-file", str(files[ca])]
    result = swathe("watch", "--plain", "--port", broker.port, *options)
    assert result.returncode == 1
    assert told in result.stderr


def test_broker_asks_for_a_certificate_or_speaks_no_tls(tmp_path: Path, brokers: Brokers) -> None:
    """A missing certificate of ours and a port without TLS are told apart."""
    authority = Authority(tmp_path)
    certificate, key = authority.sign("broker")
    broker = brokers(
        f"cafile {authority.certificate}",
        f"certfile {certificate}",
        f"keyfile {key}",
        "require_certificate true",
        "allow_anonymous true",
    )
    options = ["--ca-file", str(authority.certificate)]
    result = swathe("watch", "--plain", "--port", broker.port, *options)
    assert result.returncode == 1
    assert (
        "requires a client certificate ('broker.certificate_file'): none is given" in result.stderr
    )
    broker.stop()
    plain = brokers()
    with WatchProcess("--plain", "--port", plain.port, *options) as watch:
        watch.wait_for(f"no TLS at 127.0.0.1:{plain.port}: check 'broker.port'")


def commanded(broker: Broker, protocol: aiomqtt.ProtocolVersion) -> Callable[..., dict[str, Any]]:
    """Return a function that sends a command and returns the reply's topic, payload and properties."""

    async def ask(reply: str, payload: bytes, properties: Properties | None) -> dict[str, Any]:
        async with aiomqtt.Client("127.0.0.1", broker.port, protocol=protocol) as client:
            await client.subscribe(reply, qos=1)
            await client.publish("swathe/penstock-3/command", payload, qos=1, properties=properties)
            async with asyncio.timeout(10):
                message = await anext(aiter(client.messages))
            told: dict[str, Any] = json.loads(message.payload or b"")
            got = getattr(message.properties, "CorrelationData", None)
            return {**told, "topic": str(message.topic), "correlation": got}

    def run(reply: str, properties: Properties | None = None, **command: object) -> dict[str, Any]:
        return asyncio.run(ask(reply, json.dumps(command).encode(), properties))

    return run


def test_commands_answered_where_asked_and_only_from_those_named(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path, brokers: Brokers
) -> None:
    """Reply topic and id in the payload, or MQTT 5's properties; strangers are refused clearly."""
    broker = brokers()
    path = station(tmp_path, ports, broker, senders=["crew-1"])
    serve("penstock", speed=10)
    process = daemon(path)
    wait_for(lambda: survey_begun(tmp_path), 20, "the record")
    time.sleep(2)
    old = commanded(broker, aiomqtt.ProtocolVersion.V311)
    new = commanded(broker, aiomqtt.ProtocolVersion.V5)
    told = old("swathe/penstock-3/reply/+", command="note", id="a", by="stranger", text="hi")
    assert not told["accepted"]
    assert told["detail"].startswith("refused: 'stranger' may not command penstock-3")
    assert "crew-1" not in told["detail"]
    own = "swathe/penstock-3/reply/crew"
    told = old(own, command="note", id="b", by="crew-1", text="x", reply_to=own)
    assert (told["accepted"], told["id"], told["topic"]) == (True, "b", own)
    replies = "swathe/penstock-3/reply/+"
    elsewhere = "swathe/penstock-9/reply/b"
    told = old(replies, command="note", id="b1", by="crew-1", text="x", reply_to=elsewhere)
    assert (told["accepted"], told["topic"]) == (False, "swathe/penstock-3/reply/b1")
    told = old(replies, command="note", id="b2", by="crew-1", text="x", reply_to="crew/ears")
    assert (told["accepted"], told["topic"]) == (False, "swathe/penstock-3/reply/b2")
    asked = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    asked.ResponseTopic, asked.CorrelationData = f"{own}/five", b"\x01\x02"
    told = new(f"{own}/five", asked, command="pause", id="c", by="crew-1", text="new couplant")
    assert (told["accepted"], told["correlation"]) == (True, b"\x01\x02")
    asked.ResponseTopic = "crew/five"
    told = new(replies, asked, command="note", id="c1", by="crew-1", text="x")
    assert (told["accepted"], told["topic"]) == (True, "swathe/penstock-3/reply/c1")
    told = old("swathe/penstock-3/reply/+", command="pause", id="d", by="crew-1")
    assert told["detail"] == "refused: already paused by crew-1"
    told = old("swathe/penstock-3/reply/+", command="explode", id="e", by="crew-1")
    assert not told["accepted"]
    assert told["detail"].startswith("refused: command: ")
    heard = Witness(broker.port, "swathe/penstock-3/state")
    time.sleep(1)
    (message,) = [json.loads(payload) for _, _, payload in heard.close()]
    assert (message["state"], message["reason"]) == ("paused", "new couplant (crew-1)")
    told = old("swathe/penstock-3/reply/+", command="resume", id="f", by="crew-1")
    assert told["accepted"]
    zone = {"name": "ladder", "scan": {"from": 100, "to": 140}, "index": {"from": 0, "to": 16}}
    told = old("swathe/penstock-3/reply/+", command="exclude", id="g", by="crew-1", zone=zone)
    assert (told["accepted"], told["detail"]) == (True, "excluded 33 cells: ladder")
    told = old("swathe/penstock-3/reply/+", command="exclude", id="h", by="crew-1", zone=zone)
    assert told["detail"] == "refused: no required cell has its centre in that zone"
    backwards = {"name": "x", "scan": {"from": 9, "to": 1}}
    told = old("swathe/penstock-3/reply/+", command="exclude", id="i", by="crew-1", zone=backwards)
    assert "from the lower to the higher border" in told["detail"]
    told = old("swathe/penstock-3/reply/+", command="rescan", id="j", by="crew-1", gap=999)
    assert told["detail"] == "refused: there is no gap 999"
    told = old("swathe/penstock-3/reply/+", command="acknowledge", id="k", by="crew-1", alarm=999)
    assert told["detail"] == "refused: there is no alarm 999"
    process.signal(signal.SIGTERM)
    code, output = process.finish()
    assert code == 3, output
    record = json.loads((tmp_path / "survey" / "survey.json").read_text())
    assert [(zone["name"], zone["by"]) for zone in record["zones"]] == [("ladder", "crew-1")]
    before = {key: record["progress"][key] for key in ("required", "measured")}
    rebuilt = swathe("rebuild", tmp_path / "survey", "--no-picture")
    assert rebuilt.returncode == 0, rebuilt.stderr
    record = json.loads((tmp_path / "survey" / "survey.json").read_text())
    assert {key: record["progress"][key] for key in before} == before
