// A PLC's program on a Node.js library (jsmodbus): asks one thing, prints the answer as JSON.
//
// node plc_client.js PORT UNIT (holding | input | coil | discrete) ADDRESS COUNT
// node plc_client.js PORT UNIT (press | hold) ADDRESS VALUE    writes one coil, or one register (refused)
"use strict";
const net = require("net");
const { client } = require("jsmodbus");

const [port, unit, what, address, last] = process.argv.slice(2).map((word, at) => (at === 2 ? word : Number(word)));
const ASKS = {
  holding: (plc) => plc.readHoldingRegisters(address, last),
  input: (plc) => plc.readInputRegisters(address, last),
  coil: (plc) => plc.readCoils(address, last),
  discrete: (plc) => plc.readDiscreteInputs(address, last),
  press: (plc) => plc.writeSingleCoil(address, Boolean(last)),
  hold: (plc) => plc.writeSingleRegister(address, last),
};

const socket = new net.Socket();
const plc = new client.TCP(socket, unit, 5000);
socket.on("error", (wrong) => { console.error(wrong.message); process.exit(3); });
socket.on("connect", async () => {
  try {
    const { response } = await ASKS[what](plc);
    const values = response.body.valuesAsArray;
    console.log(JSON.stringify({ values: values ? Array.from(values).slice(0, last) : null }));
  } catch (wrong) {
    const body = wrong.response && wrong.response.body;
    if (!body) { console.error(wrong.err || wrong.message || wrong); process.exit(3); }
    console.log(JSON.stringify({ exception: body.code }));
  }
  socket.end();
});
socket.connect({ host: "127.0.0.1", port });
