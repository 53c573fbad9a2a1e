"""Training of the networks."""

import os

os.environ["ORT_DISABLE_TELEMETRY"] = "1"  # else onnxruntime reports its use to its maker
