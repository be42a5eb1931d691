@echo off
rem Set everything up and start the demo: http://127.0.0.1:8720 . Ctrl-C stops it all.
setlocal
cd /d "%~dp0.."
set "python=py -3"
where py >nul 2>nul || set "python=python"
if not exist .venv\Scripts\python.exe %python% -m venv .venv || exit /b 1
.venv\Scripts\python -m pip install --quiet . || exit /b 1
.venv\Scripts\lobewright demo %*
