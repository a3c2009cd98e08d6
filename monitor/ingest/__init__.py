"""Takes readings from sensors over MQTT, and acknowledges nothing before it is durable."""
