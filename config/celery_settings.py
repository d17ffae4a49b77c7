"""Celery's settings: a broker that is down costs a page half a second at most, never a hang.

`max_retries` among the transport options is what keeps a lost broker from being retried for seconds.
"""

import environ

broker_url = environ.FileAwareEnv().str("REDIS_URL", default="") or "memory://"
task_ignore_result = True
task_publish_retry = False
task_acks_late = True
task_reject_on_worker_lost = True
task_serializer = "json"
accept_content = ["json"]
task_time_limit = 1800
worker_prefetch_multiplier = 1
worker_hijack_root_logger = False
broker_connection_retry_on_startup = True
broker_transport_options = {
    "socket_connect_timeout": 0.5,
    "socket_timeout": 0.5,
    "retry_on_timeout": False,
    "max_retries": 0,
    "interval_start": 0,
    "interval_step": 0,
    "interval_max": 0,
    # Above task_time_limit, so that no task is handed out twice while it runs.
    "visibility_timeout": 3600,
    # Otherwise lost tasks are looked for only every 100 s, whatever the timeout.
    "unacked_restore_throttle": 1,
}
