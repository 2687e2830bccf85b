// What the page does beyond being read: it follows the agent, draws the plots and
// sends what the operator asks for. Every word about the relay comes from the agent.
import { follow } from "./live.js";
import { offer } from "./actions.js";
import { plots } from "./plots.js";

const draw = plots();
follow(draw);
offer();
