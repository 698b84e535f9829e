"""What the accounts may do on a real Mosquitto with deploy/'s configuration, over TLS.

That a message does not arrive is shown by a later one that does: the broker keeps the order.
"""

import ssl
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from queue import SimpleQueue
from types import SimpleNamespace

import pytest
from support.broker import Certificates, make_certificates
from support.deployed_broker import AsUser, DeployedBroker
from support.fleet_files import UNITS, write_fleet
from support.gateway_command import RunningGateway, command
from support.gateway_fleet import SITES
from support.senml_site import HEALTHY, pack
from support.smtp import MailCatcher

from gateway.broker_access import AccessFolder, accounts_of
from gateway.intake import BrokerSettings, Intake, TlsSettings

REFUSED_LOG_ON = {"Not authorized", "Bad user name or password"}
"""MQTT 3.1.1, table 3.1: return codes 5 and 4."""

TAKEN = {"Success", "No matching subscribers"}
"""MQTT 5, 3.4.2.1: reason codes 0x00 and 0x10; a broker may say the second where nobody listens."""


@pytest.fixture(scope="module")
def certificates(tmp_path_factory):
    return make_certificates(tmp_path_factory.mktemp("certificates"))


def edge_site(site: str, group: str, edge: str) -> SimpleNamespace:
    return SimpleNamespace(id=site, units=(), sparkplug=SimpleNamespace(group=group, edge=edge))


FLEET = (*SITES, edge_site("tower", "north", "tower-edge"), edge_site("lock", "north", "lock-edge"))


class Access(SimpleNamespace):
    """The folder that the broker reads, and the passwords that it was made with."""

    def password(self, user: str) -> str:
        text: str = (self.folder.secrets / user).read_text().strip()
        return text


def made(directory: Path, **options: object) -> Access:
    folder = AccessFolder(directory / "access", directory / "secrets")
    folder.write(accounts_of(FLEET, "gateway", each_unit={"mill"}, **options))  # type: ignore[arg-type]
    return Access(folder=folder)


@pytest.fixture(scope="module")
def access(tmp_path_factory):
    return made(tmp_path_factory.mktemp("broker-access"), may_ask_rebirth=True)


@pytest.fixture(scope="module")
def broker(tmp_path_factory, access, certificates) -> Iterator[DeployedBroker]:
    """One for all tests that do not change it; each uses topics or accounts of its own."""
    directory = tmp_path_factory.mktemp("broker")
    with DeployedBroker(directory, access.folder.folder, certificates) as broker:
        yield broker


@pytest.fixture
def log_on(broker, access):
    def as_user(user: str, **options: object) -> AsUser:
        return AsUser(broker, user, access.password(user), **options)  # type: ignore[arg-type]

    return as_user


# ---------------------------------------------------------------- who may connect


def test_an_anonymous_client_cannot_connect(broker):
    with AsUser(broker, None) as nobody:
        assert nobody.answer in REFUSED_LOG_ON


@pytest.mark.parametrize("user", ["quay", "gateway", "nobody"])
def test_a_wrong_password_is_refused(broker, access, user):
    with AsUser(broker, user, access.password("mill")) as other:
        assert other.answer in REFUSED_LOG_ON


def test_the_right_password_is_taken(log_on):
    with log_on("quay") as site:
        assert site.answer == "Success"


def test_without_tls_nothing_is_said(broker, access):
    """The connection ends without an answer; the password has been sent, but not been looked at."""
    with AsUser(broker, "quay", access.password("quay"), tls=False) as site:
        assert site.answer != "Success"


def test_older_tls_is_refused(broker):
    """RFC 8996 deprecates TLS 1.0 and 1.1."""
    import socket
    import warnings

    context = ssl.create_default_context(cafile=str(broker.ca_file))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # what is tried is deprecated
        context.minimum_version = ssl.TLSVersion.TLSv1
        context.maximum_version = ssl.TLSVersion.TLSv1_1
    context.set_ciphers("DEFAULT:@SECLEVEL=0")
    with (
        socket.create_connection(("127.0.0.1", broker.port), timeout=120) as raw,
        pytest.raises(ssl.SSLError),
    ):
        context.wrap_socket(raw, server_hostname="localhost")


# ---------------------------------------------------------------- who may publish what


def test_a_site_cannot_publish_as_another(log_on):
    """By MQTT 3.1.1 the broker cannot say so (3.3.5); nothing arrives all the same."""
    with log_on("gateway") as gateway, log_on("mill") as mill:
        gateway.subscribe("sites/#")
        for topic in ("sites/quay/ac-1/senml", "sites/quay/status", "sites/millpond/ac-1/senml",
                      "other", "spBv1.0/north/NDATA/tower-edge"):  # fmt: skip
            assert mill.publish(topic, "false") == "Success"
        mill.publish("sites/mill/ac-1/senml", "true")
        assert gateway.got() == ("sites/mill/ac-1/senml", "true")
        assert gateway.got_nothing()


def test_in_version_5_the_publisher_is_told(log_on):
    """MQTT 5, 3.4.2.1: reason code 0x87."""
    with log_on("mill", version="5") as mill:
        assert mill.publish("sites/quay/ac-1/senml", "false") == "Not authorized"
        assert mill.publish("sites/mill/ac-1/senml", "true") in TAKEN


def test_the_gateway_can_publish_nothing_to_a_site(log_on):
    with log_on("gateway", version="5") as gateway:
        for topic in ("sites/quay/ac-1/senml", "sites/quay/status", "spBv1.0/STATE/basinward",
                      "spBv1.0/north/DCMD/tower-edge/d"):  # fmt: skip
            assert gateway.publish(topic, "false") == "Not authorized"


def test_a_unit_with_an_account_of_its_own_is_no_other_unit(log_on):
    with log_on("mill.ac-1", version="5") as unit:
        assert unit.publish("sites/mill/ac-1/senml", "true") in TAKEN
        for topic in ("sites/mill/ac-2/senml", "sites/mill/status", "sites/quay/ac-1/senml"):
            assert unit.publish(topic, "false") == "Not authorized"


# ---------------------------------------------------------------- who may read what


def test_a_site_cannot_read_another(log_on):
    """The broker grants the subscription and delivers nothing (Mosquitto 2.0's access lists)."""
    with log_on("gateway") as gateway, log_on("mill") as mill, log_on("quay") as quay:
        gateway.subscribe("sites/#")
        quay.publish("sites/quay/status", "online", retain=True)
        assert gateway.got()[0] == "sites/quay/status"
        mill.subscribe("#", "sites/#", "sites/quay/#", "$SYS/#", "spBv1.0/#")
        quay.publish("sites/quay/ac-1/senml", "confidential")
        assert gateway.got() == ("sites/quay/ac-1/senml", "confidential")
        # What could have come would have come before the answer to this.
        mill.publish("sites/mill/ac-1/senml", "x")
        assert mill.got_nothing()


def test_status_is_kept_and_the_last_will_is_published(log_on, broker, access):
    with log_on("gateway") as gateway:
        gateway.subscribe("sites/tower/status")
        tower = AsUser(
            broker, "tower", access.password("tower"), will=("sites/tower/status", "offline")
        )
        with tower:
            tower.publish("sites/tower/status", "online", retain=True)
            assert gateway.got() == ("sites/tower/status", "online")
            tower.break_off()
            assert gateway.got() == ("sites/tower/status", "offline")
    with log_on("gateway") as later:
        later.subscribe("sites/tower/status")
        assert later.got() == ("sites/tower/status", "offline")


def test_a_last_will_for_another_site_is_not_published(log_on, broker, access):
    with log_on("gateway") as gateway:
        gateway.subscribe("sites/#")
        mill = AsUser(
            broker, "mill", access.password("mill"), will=("sites/lock/status", "offline")
        )
        with mill:
            if mill.answer == "Success":  # a broker may refuse such a will at once
                mill.break_off()
        with log_on("lock") as lock:
            lock.publish("sites/lock/ac-1/senml", "last")
            topics = [gateway.got()]
            while topics[-1] != ("sites/lock/ac-1/senml", "last"):
                topics.append(gateway.got())
        assert "sites/lock/status" not in [topic for topic, _ in topics]


def test_a_sparkplug_edge_is_asked_by_the_gateway_only_and_is_no_other(log_on):
    with log_on("gateway", version="5") as gateway, log_on("tower", version="5") as tower:
        gateway.subscribe("spBv1.0/#")
        tower.subscribe("spBv1.0/north/NCMD/tower-edge", "spBv1.0/north/NCMD/lock-edge")
        for kind in ("NBIRTH", "NDATA", "DBIRTH", "DDATA", "DDEATH"):
            device = "/d1" if kind.startswith("D") else ""
            assert tower.publish(f"spBv1.0/north/{kind}/tower-edge{device}", kind) == "Success"
            assert gateway.got()[1] == kind
            topic = f"spBv1.0/north/{kind}/lock-edge{device}"
            assert tower.publish(topic, "false") == "Not authorized"
        assert tower.publish("spBv1.0/north/NCMD/lock-edge", "false") == "Not authorized"
        assert gateway.publish("spBv1.0/north/NCMD/lock-edge", "other") == "Success"
        assert gateway.publish("spBv1.0/north/NCMD/tower-edge", "rebirth") == "Success"
        assert tower.got() == ("spBv1.0/north/NCMD/tower-edge", "rebirth")


# ---------------------------------------------------------------- whose session it is


def test_a_site_cannot_take_over_the_gateways_session(log_on):
    """It connects under the gateway's client id while the gateway is away, and while it is there.

    Without use_username_as_clientid what waits for the gateway would be lost (seen with 2.0.11).
    """
    with log_on("gateway", client_id="basinward", keeps_session=True) as gateway:
        gateway.subscribe("sites/mill/#")
    with log_on("mill") as mill:
        mill.publish("sites/mill/ac-1/senml", "waits")
    for intruder in ("basinward", "gateway"):
        with log_on("mill", client_id=intruder, keeps_session=True) as mill:
            assert mill.answer == "Success"
    with log_on("gateway", client_id="basinward", keeps_session=True) as gateway:
        assert gateway.got() == ("sites/mill/ac-1/senml", "waits")
        with log_on("mill", client_id="basinward") as mill:
            mill.publish("sites/mill/ac-1/senml", "goes on")
        assert gateway.got() == ("sites/mill/ac-1/senml", "goes on")
        assert not gateway.gone.is_set()
    with log_on("gateway") as gateway:  # leave no session behind
        assert gateway.answer == "Success"


# ---------------------------------------------------------------- changes while it runs


def test_after_a_reload_new_passwords_and_sites_count_and_old_ones_do_not(tmp_path, certificates):
    access = made(tmp_path)
    old = {user: access.password(user) for user in ("quay", "mill", "gateway")}
    with DeployedBroker(tmp_path / "broker", access.folder.folder, certificates) as broker:
        gateway = AsUser(broker, "gateway", old["gateway"])
        quay = AsUser(broker, "quay", old["quay"])
        mill = AsUser(broker, "mill", old["mill"])
        with gateway, quay, mill:
            gateway.subscribe("sites/#")
            sites = [s for s in FLEET if s.id != "mill"] + [edge_site("barn", "north", "barn")]
            access.folder.write(accounts_of(sites, "gateway"), renew={"quay"})
            broker.reload()
            # Who is connected by a password that is no more is put out.
            assert quay.gone.wait(120)
            assert mill.gone.wait(120)
            assert not gateway.gone.is_set()
            for user in ("quay", "mill"):
                with AsUser(broker, user, old[user]) as again:
                    assert again.answer in REFUSED_LOG_ON
            with AsUser(broker, "quay", access.password("quay")) as again:
                again.publish("sites/quay/ac-1/senml", "renewed")
            assert gateway.got() == ("sites/quay/ac-1/senml", "renewed")
            with AsUser(broker, "barn", access.password("barn")) as barn:
                barn.publish("sites/barn/ac-1/senml", "new here")
            assert gateway.got() == ("sites/barn/ac-1/senml", "new here")


# ---------------------------------------------------------------- certificates of clients


def client_certificate(certificates: Certificates, directory: Path) -> tuple[Path, Path]:
    """Certificate and key of a client, signed by the authority of the broker's."""
    authority = certificates.ca_file.parent
    directory.mkdir()

    def openssl(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], cwd=directory, check=True, capture_output=True)  # noqa: S607

    openssl("req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
            "-keyout", "client.key", "-out", "client.csr", "-subj", "/CN=client")  # fmt: skip
    openssl("x509", "-req", "-in", "client.csr", "-CA", f"{authority}/ca.pem",
            "-CAkey", f"{authority}/ca.key", "-set_serial", "77", "-days", "2",
            "-out", "client.pem")  # fmt: skip
    return directory / "client.pem", directory / "client.key"


def test_where_the_broker_asks_for_certificates_those_who_have_none_stay_out(
    tmp_path, access, certificates
):
    """And the gateway shows its own: [broker.tls] certificate_file and key_file."""
    own = client_certificate(certificates, tmp_path / "client")
    password = access.password("gateway")
    with DeployedBroker(
        tmp_path / "broker", access.folder.folder, certificates, asks=True
    ) as broker:
        with AsUser(broker, "gateway", password) as bare:
            assert bare.answer != "Success"
        with AsUser(broker, "quay", access.password("quay"), certificate=own) as site:
            assert site.answer == "Success"
        states: SimpleQueue[tuple[bool, str]] = SimpleQueue()
        settings = BrokerSettings(
            "localhost", broker.port, username="gateway", password=password,
            tls=TlsSettings(certificates.ca_file, *own),
        )  # fmt: skip
        intake = Intake(settings, lambda: 0, lambda *state: states.put(state))
        intake.start()
        try:
            assert states.get(timeout=120)[0] is True
        finally:
            intake.stop()


# ---------------------------------------------------------------- the gateway itself


@pytest.fixture
def secured(tmp_path, certificates):
    """A fleet on disk, its broker with accounts made by the command, and a mail server."""
    with MailCatcher() as mail:
        fleet = write_fleet(tmp_path / "fleet", broker_port=1, mail_port=mail.port)
        command("broker-access", "--fleet", str(fleet), "--out", str(tmp_path / "access"))
        with DeployedBroker(tmp_path / "broker", tmp_path / "access", certificates) as broker:
            text = (fleet / "fleet.toml").read_text().replace(
                "port = 1\n",
                f'port = {broker.port}\nusername = "gateway"\n'
                'password_file = "../access/secrets/gateway"\n'
                f'tls = {{ ca_file = "{certificates.ca_file}" }}\n',
                1,
            )  # fmt: skip
            (fleet / "fleet.toml").write_text(text)
            yield SimpleNamespace(fleet=fleet, broker=broker, secrets=tmp_path / "access/secrets")


def test_the_gateway_runs_on_the_secured_broker(secured, tmp_path):
    """Samples of one site come in; what another account sends in its name does not."""
    broker = secured.broker
    site, unit = min(UNITS)
    other, _ = max(UNITS)
    gateway = RunningGateway(
        secured.fleet, tmp_path / "data", lambda: broker.log.count("Sending SUBACK to gateway")
    )
    with gateway:
        password = (secured.secrets / other).read_text().strip()
        with AsUser(broker, other, password) as impostor:
            impostor.publish(f"sites/{site}/{unit}/senml", "not SenML, would be refused")
        password = (secured.secrets / site).read_text().strip()
        with AsUser(broker, site, password) as publisher:
            publisher.publish(
                f"sites/{site}/{unit}/senml", pack(site, unit, [time.time()], HEALTHY)
            )
            publisher.publish(f"sites/{site}/status", "online", retain=True)
        gateway.until(lambda: gateway.status.get("messages", 0) >= 2)
    assert gateway.status["messages"] == 2
    assert (gateway.status["frames"], gateway.status["rejects"]) == (1, 0)


def test_the_broker_starts_from_deploys_file_without_a_warning(broker):
    start = broker.log.partition(" running\n")[0]
    assert "Config loaded from" in start
    assert [line for line in start.splitlines() if "Error" in line] == []
    warnings = [line for line in start.splitlines() if "Warning" in line]
    assert [line for line in warnings if "run as root" not in line] == []  # the test may be
