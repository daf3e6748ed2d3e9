//! MQTT: the client, the publisher and the embedded broker.
