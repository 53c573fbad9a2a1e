"""The app's script. Worker processes import it under another name and must find nothing to run."""

if __name__ == "__main__":
    from toeline_app.shell import run

    run()
