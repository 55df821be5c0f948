"""How drymon connects to a broker: one way for the service and for the typed log events."""

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from drymon.errors import SetupError
from drymon.messages.message import Message
from drymon.messages.settings import Broker, read_secret

KEEPALIVE_S = 30
SESSION_EXPIRY_S = 14 * 86_400  # what waits in the broker while the service is down for a holiday
WILL_DELAY_S = 3  # a restart, or a hiccup of the network, is no news
RECEIVE_MAXIMUM = 4000  # unacknowledged messages on their way to us: a node's whole buffer; a batch is at most half
LARGEST_PACKET = 16 << 20  # far beyond any reading: what is too long is refused where people see it, not dropped unseen


def make_client(broker: Broker, client_id: str, *, mqtt5: bool, lasting: bool) -> Client:
    """A client for this broker, not yet connecting. `lasting`: with a session that outlives it, acknowledging
    by hand.

    Raises SetupError where a password or certificate file cannot be used.
    """
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=MQTTProtocolVersion.MQTTv5 if mqtt5 else MQTTProtocolVersion.MQTTv311,
        clean_session=None if mqtt5 else not lasting,
        manual_ack=lasting,
    )
    client.suppress_exceptions = True  # an exception in a callback would end the network's thread without a word
    client.reconnect_delay_set(1, 60)
    client.max_inflight_messages_set(100)
    if broker.username is not None:
        password = read_secret(broker.password_file) if broker.password_file else None
        client.username_pw_set(broker.username, password)
    if broker.tls:
        _use_tls(client, broker)
    return client


def _use_tls(client: Client, broker: Broker) -> None:
    try:
        client.tls_set(
            ca_certs=str(broker.ca_file),
            certfile=str(broker.cert_file) if broker.cert_file else None,
            keyfile=str(broker.key_file) if broker.key_file else None,
        )
    except (OSError, ValueError) as error:
        files = ", ".join(str(f) for f in (broker.ca_file, broker.cert_file, broker.key_file) if f)
        raise SetupError(f"broker: the certificates {files} cannot be used ({error}); give PEM files") from error


def connect(client: Client, broker: Broker, *, lasting: bool) -> None:
    """Begin to connect. It returns at once: a broker that is not up yet is an ordinary morning."""
    if client.protocol != MQTTProtocolVersion.MQTTv5:
        client.connect_async(broker.host, broker.port, KEEPALIVE_S)
        return
    properties = Properties(PacketTypes.CONNECT)
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    properties.MaximumPacketSize = LARGEST_PACKET
    if lasting:  # clean_start alone would not do: without an expiry the session ends with the connection
        properties.SessionExpiryInterval = SESSION_EXPIRY_S
    client.connect_async(broker.host, broker.port, KEEPALIVE_S, clean_start=not lasting, properties=properties)


def set_will(client: Client, will: Message) -> None:
    """What the broker says in our name when we are gone without a farewell."""
    properties = None
    if client.protocol == MQTTProtocolVersion.MQTTv5:
        properties = Properties(PacketTypes.WILLMESSAGE)
        properties.WillDelayInterval = WILL_DELAY_S
    client.will_set(will.topic, will.payload, qos=1, retain=will.retain, properties=properties)


def publish_properties(client: Client, expiry_s: int | None) -> Properties | None:
    """The message's expiry, where the protocol has one."""
    if expiry_s is None or client.protocol != MQTTProtocolVersion.MQTTv5:
        return None
    properties = Properties(PacketTypes.PUBLISH)
    properties.MessageExpiryInterval = expiry_s
    return properties
