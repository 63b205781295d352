"""The historian: MQTT in, PostgreSQL out. Needs the extra ``historian``."""
