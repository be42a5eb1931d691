@echo off
rem Set everything up and start the demo: http://127.0.0.1:8720 . Ctrl-C stops it all.
cd /d "%~dp0.."
if not exist .venv py -m venv .venv || exit /b 1
.venv\Scripts\python -m pip install --quiet . || exit /b 1
.venv\Scripts\lobewright demo %*
