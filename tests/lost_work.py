"""Work that goes wrong in every way, for the tests of processes and clusters."""

import os
import time


def work(item):
    """Do what the item says; anything else comes back as it is."""
    match item:
        case "die":
            os.kill(os.getpid(), 9)
        case "hang":
            time.sleep(1000)
        case "hog":
            return len(bytearray(1 << 45))
        case "bug":
            return {}["no such key"]
        case "abort":
            os.write(2, b"so long\n")
            os.abort()
        case "print":
            print("noise", flush=True)
            os.system("echo more of it")
        case ("slow", seconds):
            time.sleep(seconds)
    return item
