"""Beside the sensors: readings from kernel drivers, scales and thermometers, published to drymon over MQTT.

source → sample (median, plausible) → buffer on disk → link to the broker → kept until the service says that it has it
"""

__version__ = "0.1.0"
