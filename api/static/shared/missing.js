/** The page in place of one that is not there. */

import { startScreen } from "./screen.js";

startScreen();
