"""Two consumers of a stream, each a program: one written by hand, and the historian's worker.

Both say `ready` when they have imported what they need, begin at a line on standard input, and say the
seconds from there to the last of so many messages. With none to wait for they only leave a session at
the broker, which keeps what comes.
"""

#: Counts what comes at QoS 1, and does nothing with it. Arguments: port, filter, how many.
BARE = """
import sys, threading, time
import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

port, topic, wanted = int(sys.argv[1]), sys.argv[2], int(sys.argv[3])
count, subscribed, done = 0, threading.Event(), threading.Event()

def take(_client, _data, _message):
    global count
    count += 1
    if count == wanted:
        done.set()

client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "bare", protocol=mqtt.MQTTv5)
properties = Properties(PacketTypes.CONNECT)
properties.SessionExpiryInterval = 3600
client.on_message = take
client.on_subscribe = lambda *_: subscribed.set()
print("ready", flush=True)
sys.stdin.readline()
began = time.perf_counter()
client.connect("127.0.0.1", port, clean_start=False, properties=properties)
client.loop_start()
client.subscribe(topic, qos=1)
(done if wanted else subscribed).wait()
print(time.perf_counter() - began, flush=True)
client.disconnect()
client.loop_stop()
"""

#: One worker. Arguments: its configuration, how many.
SINK = """
import sys, threading, time
from pathlib import Path
from capture.clock import SystemClock
from capture.historian.settings import HistorianConfig
from capture.historian.worker import Worker
from capture.logs import configure_logs

wanted = int(sys.argv[2])
configure_logs("warning", "text")
worker = Worker(HistorianConfig.load(Path(sys.argv[1])), SystemClock())
print("ready", flush=True)
sys.stdin.readline()
began = time.perf_counter()
thread = threading.Thread(target=worker.run)
thread.start()
while worker.committed < wanted or not worker.listening:
    time.sleep(0.002)
print(time.perf_counter() - began, flush=True)
worker.stop()
thread.join()
"""
