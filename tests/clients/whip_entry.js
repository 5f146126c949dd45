// Bundled by esbuild for the browser: the foreign client as its registry holds it.
import { WHIPClient } from "@eyevinn/whip-web-client";

window.WHIPClient = WHIPClient;
