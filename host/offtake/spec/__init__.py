"""The definition in shared_spec: strict reading into frozen dataclasses."""
