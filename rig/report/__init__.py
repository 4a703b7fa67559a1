"""Pictures and the self-contained page of a run. matplotlib is imported when a picture is made."""
