"""The push follower: pages to contacts."""
