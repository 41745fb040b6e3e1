"""What someone would write in an afternoon instead: the yardstick of `bytes_to_rows`.

Kept as it was first written: pyserial's readline, a straight line through the last 60 readings at every
reading, one commit a result, one publish a result; a thread a port.

Usage: python -m tests.bench.usual_script DATABASE BROKER_PORT PORT...
"""

import sqlite3
import sys
import threading
import time
from collections import deque

import numpy as np
import paho.mqtt.client as mqtt
import serial
from paho.mqtt.enums import CallbackAPIVersion


def watch(port: str, database: str, client: mqtt.Client) -> None:
    """Read one meter for ever."""
    line = serial.Serial(port, timeout=2)
    store = sqlite3.connect(database, timeout=30)
    store.execute("CREATE TABLE IF NOT EXISTS result (port TEXT, at REAL, mv REAL, slope REAL)")
    recent: deque[tuple[float, float]] = deque(maxlen=60)
    last_result = 0.0
    while True:
        text = line.readline()
        try:
            mv = float(text.decode().split(";")[0])
        except (ValueError, IndexError):
            continue
        now = time.time()  # noqa: TID251 # the script knows no Clock
        recent.append((now, mv))
        if len(recent) < 60:
            continue
        at, values = zip(*recent, strict=True)
        slope = np.polyfit(np.array(at) - at[0], values, 1)[0] * 60
        if abs(slope) < 0.3 and now - last_result > 10:
            last_result = now
            store.execute("INSERT INTO result VALUES (?, ?, ?, ?)", (port, now, mv, slope))
            store.commit()
            client.publish(f"ph/{port}", f"{mv},{slope}", qos=1)


def main() -> None:
    """Start a thread a port."""
    database, broker_port, *ports = sys.argv[1:]
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", int(broker_port))
    client.loop_start()
    for port in ports:
        threading.Thread(target=watch, args=(port, database, client), daemon=True).start()
    threading.Event().wait()


if __name__ == "__main__":
    main()
