"""Call-backs: signed messages to addresses that want to know when takes end, after Standard Webhooks 1.0.

    reach       which hosts may be reached: those of the public internet, and what the operator names
    address     an address taken apart and, at each sending, resolved once
    post        one POST to a resolved address
    signature   secrets and signatures
    schedule    when to try again, and when to stop
    sending     one delivery: claimed, sent, noted
    sender      the threads of a worker that send

What is to be sent stands in the database (store/deliveries.py) before anybody sends it.
"""
