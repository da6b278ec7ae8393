"""The InfluxDB follower."""
