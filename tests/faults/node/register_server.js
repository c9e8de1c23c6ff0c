// A Modbus TCP device on a Node.js library (modbus-serial). Its words say where they stand and how old they are, as
// those of register_server.c: registers 0 to 9999, even address = the address itself, odd address = number of the
// request; bits = parity of the ones in the address; beyond that exception 2.
//
// node register_server.js PORT DELAY_MS EVERY    Prints "ready"; every EVERY-th answer is held back.
"use strict";
const { ServerTCP } = require("modbus-serial");

const ADDRESSES = 10000;
const ILLEGAL_ADDRESS = 2;
const delayMs = Number(process.argv[3] || 0);
const every = Number(process.argv[4] || 1);
let requests = 0;

const parity = (address) => address.toString(2).split("1").length % 2 === 0;

function registers(address, count, done) {
  requests = (requests + 1) & 0xffff;
  const number = requests;
  const refusal = Object.assign(new Error("illegal address"), { modbusErrorCode: ILLEGAL_ADDRESS });
  const words = Array.from({ length: count }, (_, at) => ((address + at) % 2 ? number : address + at));
  const answer = () => (address + count > ADDRESSES ? done(refusal) : done(null, words));
  if (delayMs && requests % every === 0) setTimeout(answer, delayMs);
  else answer();
}

const many = (address, count, unit, done) => registers(address, count, done);
const one = (address, unit, done) => registers(address, 1, (wrong, words) => done(wrong, words && words[0]));
const bit = (address, unit) => parity(address);

const server = new ServerTCP(
  {
    getMultipleHoldingRegisters: many,
    getMultipleInputRegisters: many,
    getHoldingRegister: one,
    getInputRegister: one,
    getCoil: bit,
    getDiscreteInput: bit,
  },
  { host: "127.0.0.1", port: Number(process.argv[2]), unitID: 0 },
);
server.on("socketError", () => {}); // a client that hangs up is no news
server.on("serverError", (wrong) => { console.error(wrong); process.exit(1); });
server.on("initialized", () => console.log("ready"));
process.stdin.resume().on("end", () => process.exit(0)); // no test leaves it behind
