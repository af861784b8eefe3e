"""The app for a WSGI server of one's own choice: `gunicorn coilbench_service.wsgi:app`.

Run it with as many threads as waiters and others need (32). What it listens on is said to that server and not known
here, so it always needs access keys. `coilbench-server migrate` comes first; without it, or without a broker, the
server does not start.
"""

from coilbench_service.admission import say_when_nobody_can_ask
from coilbench_service.app import create_app
from coilbench_service.running import require_others
from coilbench_worker import logs
from coilbench_worker.configuration import load

configuration = load().model_copy(update={"keys": "always"})
logs.set_up(configuration.log_level)
require_others(configuration)
app = create_app(configuration)
say_when_nobody_can_ask(app.extensions["coilbench"])
