"""The live numbers on the house's message broker (MQTT, ISO/IEC 20922), for whoever listens; nothing is heard from it."""

from api.broker.telling import NO_BROKER, TELL_EVERY_S, Broker, BrokerStanding, broker_of

__all__ = ["NO_BROKER", "TELL_EVERY_S", "Broker", "BrokerStanding", "broker_of"]
