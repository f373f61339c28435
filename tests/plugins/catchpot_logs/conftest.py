"""The bench of the ingest room's tests serves the readers' too."""

from tests.ingest.conftest import bench, plain

__all__ = ["bench", "plain"]
