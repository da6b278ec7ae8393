"""The MQTT follower."""
