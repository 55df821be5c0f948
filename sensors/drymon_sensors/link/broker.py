"""How to connect to the broker: one way for the node and for what people type."""

from __future__ import annotations

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from drymon_sensors.config import Broker
from drymon_sensors.errors import SetupError, words_of
from drymon_sensors.payload import Message

KEEPALIVE_S = 30
LONGEST_PAUSE_S = 15  # a node has little else to do than to try again
WILL_DELAY_S = 3  # a hiccup of the Wi-Fi is no news
IN_FLIGHT = 100


def make_client(broker: Broker, client_id: str) -> Client:
    """A client for this broker, not yet connecting. SetupError where a password or certificate cannot be used."""
    client = Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=_protocol(broker))
    client.suppress_exceptions = True  # an exception in a callback would end the network's thread without a word
    client.reconnect_delay_set(1, LONGEST_PAUSE_S)
    client.max_inflight_messages_set(IN_FLIGHT)
    if broker.password_file:
        client.username_pw_set(broker.username, read_secret(broker.password_file))
    elif broker.username and broker.cert_file:
        client.username_pw_set(broker.username)
    if broker.ca_file:
        _use_tls(client, broker)
    return client


def connect(client: Client, broker: Broker) -> None:
    """Begin to connect; it returns at once, for a broker that is not up yet is an ordinary morning."""
    if broker.mqtt == 5:
        client.connect_async(broker.host, broker.port, KEEPALIVE_S, clean_start=True)
    else:
        client.connect_async(broker.host, broker.port, KEEPALIVE_S)


def set_will(client: Client, broker: Broker, will: Message) -> None:
    """What the broker says in our name when we are gone without a farewell."""
    properties = None
    if broker.mqtt == 5:
        properties = Properties(PacketTypes.WILLMESSAGE)
        properties.WillDelayInterval = WILL_DELAY_S
    client.will_set(will.topic, will.payload, qos=1, retain=will.retain, properties=properties)


def publish(client: Client, broker: Broker, message: Message) -> int:
    """Hand one message to the client, QoS 1; its identifier."""
    properties = None
    if message.expiry_s is not None and broker.mqtt == 5:
        properties = Properties(PacketTypes.PUBLISH)
        properties.MessageExpiryInterval = message.expiry_s
    info = client.publish(message.topic, message.payload, qos=1, retain=message.retain, properties=properties)
    return info.mid


def read_secret(path: str) -> str:
    """A password file's first line."""
    try:
        with open(path, encoding="utf-8") as file:
            secret = file.readline().strip()
    except UnicodeDecodeError:
        raise SetupError(f"password_file: {path} is no text; allowed is a file with the password") from None
    except OSError as error:
        raise SetupError(
            f"password_file: {path} cannot be read ({words_of(error)}); allowed is a file with the password"
        ) from None
    if not secret:
        raise SetupError(f"password_file: {path} is empty; allowed is a file with the password in its first line")
    return secret


def _protocol(broker: Broker) -> MQTTProtocolVersion:
    return MQTTProtocolVersion.MQTTv5 if broker.mqtt == 5 else MQTTProtocolVersion.MQTTv311


def _use_tls(client: Client, broker: Broker) -> None:
    try:
        client.tls_set(broker.ca_file, broker.cert_file or None, broker.key_file or None)
    except (OSError, ValueError) as error:
        files = ", ".join(filter(None, (broker.ca_file, broker.cert_file, broker.key_file)))
        raise SetupError(f"broker: the certificates {files} cannot be used ({error}); give PEM files") from None
