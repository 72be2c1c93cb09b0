// One session with leastwatt: random slots go out, a line for each plan comes
// back.
//
//	npm ci
//	node session.js --to 127.0.0.1:7171 --slots 5
//
// With --ca FILE the connection has TLS, with --cert FILE and --key FILE the client
// shows who it is, with --token-file FILE every call carries a bearer token.

import { readFileSync } from 'node:fs';
import { parseArgs } from 'node:util';
import grpc from '@grpc/grpc-js';
import { loadFileDescriptorSetFromBuffer } from '@grpc/proto-loader';

const antennas = 16;
const users = ['crane', 'carrier', 'gate', 'hand-held'];

const { values: args } = parseArgs({
  options: {
    to: { type: 'string', default: '127.0.0.1:7171' },
    slots: { type: 'string', default: '5' },
    ca: { type: 'string' },
    cert: { type: 'string' },
    key: { type: 'string' },
    'token-file': { type: 'string' },
  },
});

const contract = loadFileDescriptorSetFromBuffer(
  readFileSync(new URL('../../proto/leastwatt.binpb', import.meta.url)),
  { longs: String, enums: String, defaults: true, oneofs: true },
);
const { SlotSchedulerService } = grpc.loadPackageDefinition(contract).leastwatt.v1;

const read = (name) => (name ? readFileSync(name) : null);
const credentials = args.ca
  ? grpc.credentials.createSsl(read(args.ca), read(args.key), read(args.cert))
  : grpc.credentials.createInsecure();
const metadata = new grpc.Metadata();
if (args['token-file']) {
  const [token] = readFileSync(args['token-file'], 'utf8').split('\n');
  metadata.set('authorization', `Bearer ${token.trim()}`);
}
const client = new SlotSchedulerService(args.to, credentials, {
  'grpc.max_receive_message_length': 64 << 20,
});

// gaussian returns a number of the standard normal distribution.
const gaussian = () => Math.sqrt(-2 * Math.log(1 - Math.random())) * Math.cos(2 * Math.PI * Math.random());

// slot returns a slot over random channels, samples [user][antenna] as complex64.
function slot(sequence) {
  const samples = Float32Array.from({ length: 2 * users.length * antennas }, () => 1e-5 * gaussian());
  return {
    sequence,
    bandwidth_hz: 10e6,
    channel: { antennas, samples_f32: Buffer.from(samples.buffer) },
    users: users.map((id) => ({ id, rate_bps: 5e6, noise_w: 1e-13 })),
  };
}

const stream = client.StreamSlots(metadata);
stream.on('data', ({ kind, opened, plan, closing }) => {
  if (kind === 'opened') {
    console.log(`session ${opened.session_id}, engine ${opened.engine_version}`);
  } else if (kind === 'plan') {
    const status = plan.status.replace('PLAN_STATUS_', '');
    console.log(`slot ${plan.sequence}: ${status}, ${plan.radiated_power_w} W in ${plan.groups.length} groups`);
  } else if (kind === 'closing') {
    console.error(`the server closes the session: ${closing.reason}`);
  }
});
stream.on('error', (error) => {
  console.error(`${grpc.status[error.code]}: ${error.details}`);
  process.exitCode = 1;
});
const ended = new Promise((end) => {
  stream.on('status', () => {
    client.close();
    end(true);
  });
});

stream.write({ open: { cell_id: 'node', options: { weights: 'WEIGHT_FORMAT_F32' } } });
for (let n = 1; n <= Number(args.slots); n++) {
  if (!stream.write({ slot: slot(n) })) {
    const drained = new Promise((drain) => stream.once('drain', () => drain(false)));
    if (await Promise.race([drained, ended])) break; // it would never drain
  }
}
stream.end();
