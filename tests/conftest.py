"""What every test run starts from."""

import signal
import threading

# A run started in the background inherits an ignored Ctrl-C, which the tests of interrupts need.
if threading.current_thread() is threading.main_thread():
    signal.signal(signal.SIGINT, signal.default_int_handler)
